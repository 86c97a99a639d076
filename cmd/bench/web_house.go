package main

import (
	"context"
	"fmt"
	"io"
	"net/http"
	"os"
	"time"

	"undercroft/web"
	"undercroft/web/webtest"
)

// webHouseCmd is the house of paper behind the real server, until its input ends.
type webHouseCmd struct {
	Printers int
}

// stamped gives each view the instant at which it was taken.
type stamped struct{ *webtest.House }

func (s stamped) View(ctx context.Context) (web.View, error) {
	v, err := s.House.View(ctx)
	v.At = time.Now()
	return v, err
}

// Run serves.
func (k *webHouseCmd) Run() error {
	house := webtest.New(time.Now())
	house.Change(func(v *web.View) {
		scene := v.Printers
		v.Printers = nil
		for i := range k.Printers {
			p := scene[0] // printing
			p.Name = fmt.Sprintf("Heron-%02d", i+1)
			run := *p.Run
			run.ID = int64(100 + i)
			p.Run = &run
			v.Printers = append(v.Printers, p)
		}
	})
	srv, err := web.New(web.Options{House: stamped{house}, Listen: "127.0.0.1:0", Metrics: http.NotFoundHandler(), Health: func() error { return nil }})
	if err != nil {
		return err
	}
	l, err := srv.Listen()
	if err != nil {
		return err
	}
	ctx, stop := context.WithCancel(context.Background())
	defer stop()
	go func() {
		tick := time.NewTicker(200 * time.Millisecond)
		defer tick.Stop()
		for n := 0; ; n++ {
			select {
			case <-ctx.Done():
				return
			case <-tick.C:
			}
			// A machine reports its heat every 2 s: of 50, five in a fifth of a second.
			house.Change(func(v *web.View) {
				for i := range 5 {
					p := &v.Printers[(n*5+i)%len(v.Printers)]
					run := *p.Run
					run.CompletedMM += 0.01
					run.LeftS -= 2
					p.Run = &run
					p.Heaters = []web.Heater{{Name: "T0", ActualC: 240 + float64(n%10)/10, TargetC: 240}, {Name: "B", ActualC: 75, TargetC: 75}}
				}
			})
		}
	}()
	go func() {
		_, _ = io.Copy(io.Discard, os.Stdin)
		stop()
	}()
	fmt.Println(l.Addr())
	return srv.Serve(ctx, l)
}

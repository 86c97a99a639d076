package ports

import (
	"context"
	"errors"
	"fmt"
	"sync"
	"time"

	"undercroft/fleet/link"
)

// UsualBauds are tried in this order. A board with a USB port of its own answers
// at any; behind an adapter chip only the board's own rate is understood.
var UsualBauds = []int{115200, 250000}

// Answer is what came back on a port.
type Answer struct {
	Baud     int    `json:"baud,omitempty"` // at which printer firmware answered; 0: at none
	Firmware string `json:"firmware,omitempty"`
	Text     string `json:"text"` // for people
}

// Opener opens a serial port; link.OpenPort is one.
type Opener func(path string, baud int) (link.Port, error)

// patience is how long one rate is tried: a board that opening has reset takes a
// few seconds to start.
const patience = 7 * time.Second

// Ask opens a port at one rate after another until firmware says what it is. It
// sends M115 and what the link needs besides to get to know firmware; nothing
// that heats or moves. Opening resets many boards.
func Ask(ctx context.Context, open Opener, device string, bauds []int) Answer {
	last := "nothing answers: the printer is off, or something else is plugged in"
	for _, baud := range bauds {
		firmware, err := askAt(ctx, open, device, baud)
		switch {
		case err == nil:
			if firmware == "" {
				firmware = "firmware that does not give its name"
			}
			return Answer{Baud: baud, Firmware: firmware, Text: fmt.Sprintf("%s, at %d baud", firmware, baud)}
		case errors.Is(err, link.ErrRate):
			continue
		case errors.Is(err, errAnswers):
			last = err.Error()
		case errors.Is(err, errSilent):
		case errors.Is(err, link.ErrPortDenied):
			return Answer{Text: "this user may not open it: be in the group of the port, mostly dialout (usermod -aG dialout NAME, then log in anew)"}
		default:
			return Answer{Text: err.Error()}
		}
	}
	return Answer{Text: last}
}

var (
	errSilent  = errors.New("nothing answers")
	errAnswers = errors.New("something answers, but not as printer firmware does at the usual rates")
)

func askAt(ctx context.Context, open Opener, device string, baud int) (firmware string, err error) {
	port, err := open(device, baud)
	if err != nil {
		return "", err
	}
	c := link.New(port, link.Options{ReportEvery: -1, AuditEvery: -1, OpenFor: patience, Baud: baud})
	defer func() { _ = c.Close() }() // it was only asked
	ctx, cancel := context.WithTimeout(ctx, patience)
	defer cancel()
	for {
		s := c.State()
		switch {
		case s.Identity.Firmware != "" || s.Phase == link.Idle:
			return s.Identity.Firmware, nil
		case s.Fault != nil:
			return "", silent(s)
		}
		select {
		case <-c.Changed():
		case <-ctx.Done():
			return "", silent(c.State())
		}
	}
}

func silent(s link.State) error {
	if s.BytesIn > 0 {
		return errAnswers
	}
	return errSilent
}

// AskAll asks every port that nobody holds and that has no answer yet, all at
// once. bauds is asked for the
// rates to try on a port, likeliest first.
func AskAll(ctx context.Context, open Opener, list []Port, bauds func(*Port) []int) {
	var wait sync.WaitGroup
	for i := range list {
		if p := &list[i]; len(p.HeldBy) == 0 && p.Answer == nil {
			wait.Go(func() {
				a := Ask(ctx, open, p.Device, bauds(p))
				p.Answer = &a
			})
		}
	}
	wait.Wait()
}

package main

import (
	"fmt"
	"io"
	"os"
	"time"
)

type wireCmd struct {
	During time.Duration `default:"3s" help:"How long each figure is measured."`
	Most   int           `default:"256" help:"Leave out what needs more printers than this."`
	Part   string        `enum:"all,lines,loads,starvation" default:"all" help:"Measure one part only: ${enum}."`
}

func (w *wireCmd) Run() error {
	fmt.Println(machine())
	for _, part := range []struct {
		name    string
		measure func(io.Writer) error
	}{{"lines", w.lines}, {"loads", w.loads}, {"starvation", w.starvation}} {
		if w.Part != "all" && w.Part != part.name {
			continue
		}
		fmt.Println()
		if err := part.measure(os.Stdout); err != nil {
			return err
		}
	}
	return nil
}

package main

import (
	"fmt"
	"os"
	"time"
)

type wireCmd struct {
	During time.Duration `default:"3s" help:"How long each figure is measured."`
	Most   int           `default:"256" help:"Leave out what needs more printers than this."`
}

func (w *wireCmd) Run() error {
	fmt.Println(machine())
	fmt.Println()
	if err := w.lines(os.Stdout); err != nil {
		return err
	}
	fmt.Println()
	if err := w.loads(os.Stdout); err != nil {
		return err
	}
	fmt.Println()
	return w.starvation(os.Stdout)
}

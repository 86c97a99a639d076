package main

import (
	"bufio"
	"context"
	"fmt"
	"io"
	"os"
	"os/signal"
	"strings"
	"syscall"
	"time"

	"golang.org/x/sys/unix"

	"undercroft/queue"
	"undercroft/queue/store"
)

// showCautions prints the cautions at the first start of a data folder.
func showCautions(ctx context.Context, d *daemon, out io.Writer) error {
	seen, err := d.store.Setting(ctx, store.KeyCautions)
	if err != nil || seen != "" {
		return err
	}
	fmt.Fprintf(out, "\n%s\n", cautions)
	return d.store.SetSetting(ctx, store.KeyCautions, time.Now().UTC().Format(time.RFC3339))
}

const (
	homeQuestion = "When is somebody home to clear a plate? For example: Mo-Fr 17:00-23:00, Sa-Su 08:00-23:00; or: none"
	coldQuestion = "When may nothing be hot? For example: daily 01:00-05:00; or: none"
	answerLater  = `Nothing starts before two questions are answered: when is somebody home to clear a plate, and when
may nothing be hot? Answer on the page, or with for example

  undercroft hours --home 'Mo-Fr 17:00-23:00, Sa-Su 08:00-23:00' --cold 'daily 01:00-05:00'
  undercroft hours --home none --cold none

`
)

// askHours asks for the home hours and the cold hours while they have no
// answer, where a person sits at the terminal; else it says how to answer. The
// daemon works meanwhile, but nothing starts before.
func askHours(ctx context.Context, d *daemon, in *os.File, out io.Writer) {
	if hours, err := d.store.Hours(ctx); err != nil || hours.Answered {
		return
	}
	if !attended(in) {
		fmt.Fprint(out, answerLater)
		return
	}
	// Moved to the background, a program that reads its terminal would be
	// stopped with everything that it runs; with the signal ignored the read fails.
	signal.Ignore(syscall.SIGTTIN)
	lines := bufio.NewReader(io.LimitReader(in, 1<<16))
	home, err := askSchedule(out, lines, homeQuestion)
	if err == nil {
		var cold string
		if cold, err = askSchedule(out, lines, coldQuestion); err == nil {
			err = d.dispatch.SetHours(ctx, home, cold)
		}
	}
	switch hours, storeErr := d.store.Hours(ctx); {
	case storeErr == nil && hours.Answered:
		fmt.Fprintf(out, "Home hours: %s. Cold hours: %s. Change them with 'undercroft hours' or on the page.\n", hours.Home, hours.Cold)
	case err != nil && ctx.Err() == nil:
		fmt.Fprintf(out, "\n%s", answerLater)
	}
}

// attended says whether in is a terminal with this program in its foreground.
func attended(in *os.File) bool {
	group, err := unix.IoctlGetInt(int(in.Fd()), unix.TIOCGPGRP)
	return err == nil && group == unix.Getpgrp()
}

// askSchedule asks until the answer is a schedule; the error is the end of input.
func askSchedule(out io.Writer, in *bufio.Reader, question string) (string, error) {
	for {
		fmt.Fprintf(out, "%s\n> ", question)
		line, err := in.ReadString('\n')
		line = strings.TrimSpace(line)
		if line != "" {
			_, parseErr := queue.ParseSchedule(line)
			if parseErr == nil {
				return line, nil
			}
			fmt.Fprintf(out, "%v\n", parseErr)
		}
		if err != nil {
			return "", err
		}
	}
}

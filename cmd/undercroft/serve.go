package main

import (
	"context"
	"errors"
	"fmt"
	"io"
	"log/slog"
	"os"
	"os/signal"
	"strings"
	"syscall"

	"github.com/alecthomas/kong"

	"undercroft/cmd/undercroft/config"
	"undercroft/queue"
)

// serveCmd is the daemon.
type serveCmd struct {
	Config  string `short:"c" help:"The configuration. Left out: undercroft.toml here, else /etc/undercroft/undercroft.toml." placeholder:"FILE"`
	Example bool   `help:"Print a commented example configuration and end."`
	Verbose bool   `short:"v" help:"Log more."`
}

// configPlaces are looked at in order when no configuration is named.
var configPlaces = []string{"undercroft.toml", "/etc/undercroft/undercroft.toml"}

// findConfig returns the file to read.
func findConfig(named string) (string, error) {
	if named != "" {
		return named, nil
	}
	for _, place := range configPlaces {
		if _, err := os.Stat(place); err == nil {
			return place, nil
		}
	}
	return "", exitf(exitUsage, "there is no configuration: neither %s exists.\nWrite one with 'undercroft serve --example > undercroft.toml' and change it to your printers, or name one with --config.",
		strings.Join(configPlaces, " nor "))
}

func loadConfig(named string) (*config.Config, error) {
	path, err := findConfig(named)
	if err != nil {
		return nil, err
	}
	conf, err := config.Load(path)
	if err != nil {
		return nil, exitf(exitUsage, "%v", err)
	}
	return conf, nil
}

// Run serves until the first signal, then settles; a second signal hurries it.
func (k *serveCmd) Run(kctx *kong.Context) error {
	if k.Example {
		_, err := io.WriteString(kctx.Stdout, config.Example())
		return err
	}
	conf, err := loadConfig(k.Config)
	if err != nil {
		return err
	}
	level := slog.LevelInfo
	if k.Verbose {
		level = slog.LevelDebug
	}
	log := slog.New(slog.NewTextHandler(kctx.Stderr, &slog.HandlerOptions{Level: level}))
	for _, w := range conf.Warnings {
		log.Warn("configuration", "warning", w.Error())
	}
	ctx, hurry, stop := signals(log)
	defer stop()
	d, err := newDaemon(ctx, conf, daemonOptions{clock: houseTime(conf), log: log})
	if err != nil {
		if errors.Is(err, queue.ErrUnavailable) || errors.Is(err, queue.ErrConflict) {
			return exitf(exitNotNow, "%s", queue.Words(err))
		}
		return err
	}
	for _, r := range d.recovery.Interrupted {
		log.Warn("a print was interrupted when the daemon last ended; it needs a decision",
			"printer", r.Printer, "job", r.JobID, "completed_mm", r.CompletedMM)
	}
	fmt.Fprintf(kctx.Stdout, "Undercroft serves %s at %s\n", count(len(conf.Printers), "printer", "printers"), d.URL())
	if d.fingerprint != "" {
		fmt.Fprintf(kctx.Stdout, "Its certificate has the SHA-256 fingerprint %s\n", d.fingerprint)
	}
	if err := showCautions(ctx, d, kctx.Stdout); err != nil {
		return errors.Join(err, d.listener.Close(), d.store.Close())
	}
	defer reloadOnHangup(d)()
	go askHours(ctx, d, os.Stdin, kctx.Stdout)
	return d.Run(ctx, hurry)
}

// reloadOnHangup has SIGHUP read the configuration anew, which is also what the
// service manager's reload sends; it returns what ends that.
func reloadOnHangup(d *daemon) (end func()) {
	got := make(chan os.Signal, 1)
	signal.Notify(got, syscall.SIGHUP)
	done := make(chan struct{})
	go func() {
		defer close(done)
		for range got {
			_, _ = d.reload() // it logs what came of it
		}
	}()
	return func() {
		signal.Stop(got)
		close(got)
		<-done
	}
}

// signals returns a context that ends at the first signal and a channel that is
// closed at the second.
func signals(log *slog.Logger) (context.Context, <-chan struct{}, func()) {
	ctx, cancel := context.WithCancel(context.Background())
	hurry := make(chan struct{})
	got := make(chan os.Signal, 2)
	signal.Notify(got, os.Interrupt, syscall.SIGTERM)
	go func() {
		if _, ok := <-got; !ok {
			return
		}
		log.Info("ending: printers finish the line in hand, turn their heaters off and park; once more to hurry")
		cancel()
		if _, ok := <-got; ok {
			close(hurry)
		}
	}()
	return ctx, hurry, func() {
		signal.Stop(got)
		close(got)
		cancel()
	}
}

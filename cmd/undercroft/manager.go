package main

import (
	"context"
	"errors"
	"fmt"
	"log/slog"
	"time"

	sdnotify "github.com/coreos/go-systemd/v22/daemon"
)

// manager tells the service manager that started this process, if one did, how
// it is: sd_notify(3). Without one every method does nothing.
type manager struct {
	log   *slog.Logger
	alive func(context.Context) error // nil error: the daemon does its work
}

// ready says that the daemon serves.
func (m manager) ready(status string) {
	m.tell(sdnotify.SdNotifyReady + "\nSTATUS=" + status)
}

// ending says that the daemon is about to end on purpose.
func (m manager) ending() { m.tell(sdnotify.SdNotifyStopping) }

func (m manager) tell(state string) {
	if _, err := sdnotify.SdNotify(false, state); err != nil {
		m.log.Warn("the service manager cannot be told", "error", err)
	}
}

// watchdog keeps the manager's watchdog quiet for as long as the daemon does its
// work, and lets it bite when it does not: a daemon that hangs is killed, its
// heaters are turned off by the unit's last command, and it is started again.
func (m manager) watchdog(ctx context.Context) {
	limit, err := sdnotify.SdWatchdogEnabled(false)
	if err != nil {
		m.log.Warn("the service manager's watchdog is not understood", "error", err)
		return
	}
	if limit == 0 {
		return
	}
	tick := time.NewTicker(limit / 3)
	defer tick.Stop()
	for {
		asking, cancel := context.WithTimeout(ctx, limit/3)
		err := m.alive(asking)
		cancel()
		switch {
		case ctx.Err() != nil:
			return
		case err != nil:
			m.log.Error("the watchdog is not fed: the daemon does not do its work", "error", err)
		default:
			m.tell(sdnotify.SdNotifyWatchdog)
		}
		select {
		case <-tick.C:
		case <-ctx.Done():
			return
		}
	}
}

// alive asks everything that must move whether it does: the store, the
// dispatcher and each printer's loop.
func (d *daemon) alive(ctx context.Context) error {
	var errs []error
	if _, err := d.store.Hours(ctx); err != nil {
		errs = append(errs, fmt.Errorf("the store does not answer: %w", err))
	}
	if err := d.dispatch.Alive(ctx); err != nil {
		errs = append(errs, fmt.Errorf("the dispatcher does not answer: %w", err))
	}
	for _, name := range d.fleet.Names() {
		if err := d.fleet.Printer(name).Alive(ctx); err != nil {
			errs = append(errs, fmt.Errorf("the loop of %s does not answer: %w", name, err))
		}
	}
	return errors.Join(errs...)
}

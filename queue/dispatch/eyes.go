package dispatch

import (
	"context"
	"fmt"

	"undercroft/fleet"
	"undercroft/queue"
	"undercroft/queue/store"
)

// look calls a person once the first layer of a run is down that somebody is to
// look at. The caller holds turn.
func (d *Dispatcher) look(ctx context.Context, p *printer, s *fleet.Snapshot) {
	d.mu.RLock()
	r := p.run
	wanted := p.stage == running && r != nil && r.Eyes == queue.EyesWanted && s.Run != nil && s.Run.RunID == r.ID && s.Run.LayersDone > 0
	d.mu.RUnlock()
	if !wanted {
		return
	}
	asked, _, err := d.o.Store.SetEyes(ctx, r.ID, queue.EyesAsked)
	if err != nil {
		d.o.Log.Error("the call to a first layer could not be stored", "printer", p.conf.Name, "err", err)
		return
	}
	d.mu.Lock()
	if p.run != nil && p.run.ID == r.ID {
		p.run = &asked
	}
	d.mu.Unlock()
}

// Eyes takes a person's word on the first layer that a printer lays or has laid:
// good, or the run is stopped.
func (d *Dispatcher) Eyes(ctx context.Context, name string, good bool) error {
	p, err := d.find(name)
	if err != nil {
		return err
	}
	d.turn.Lock()
	d.mu.RLock()
	r, ok := p.run, p.run != nil && p.stage == running
	d.mu.RUnlock()
	if !ok {
		d.turn.Unlock()
		return fmt.Errorf("nothing is being printed on %s whose first layer could be looked at: %w", name, queue.ErrConflict)
	}
	if !good && r.Eyes != queue.EyesWanted && r.Eyes != queue.EyesAsked {
		d.turn.Unlock()
		return fmt.Errorf("nobody is asked to look at the first layer on %s; 'undercroft stop' ends the run: %w", name, queue.ErrConflict)
	}
	to := queue.EyesGood
	if !good {
		to = queue.EyesStop
	}
	seen, f, err := d.o.Store.SetEyes(ctx, r.ID, to)
	if err == nil {
		d.mu.Lock()
		p.run = &seen
		p.know(f)
		d.mu.Unlock()
	}
	d.turn.Unlock()
	if err != nil {
		return err
	}
	d.poke()
	if good {
		return nil
	}
	return d.Stop(ctx, name, "the first layer was not good")
}

// SetEyes switches the calls to first layers on or off, for runs that start from now on.
func (d *Dispatcher) SetEyes(ctx context.Context, on bool) error {
	word := "on"
	if !on {
		word = "off"
	}
	err := d.o.Store.SetSetting(ctx, store.KeyEyes, word)
	if err == nil {
		d.mu.Lock()
		d.eyesOff = !on
		d.mu.Unlock()
	}
	d.poke()
	return err
}

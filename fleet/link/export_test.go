package link

import "fmt"

// Dump shows the engine's inner state, for failing tests.
func (c *Conn) Dump() string {
	c.mu.Lock()
	defer c.mu.Unlock()
	e := c.e
	return fmt.Sprintf("phase %s dlg %+v acked %d cursor %d head %d fed %d shift %d flight %d window %d calm %d step %d own %v deadline in %v armed in %v writing %v pending %q afterResend %v suspect %v",
		e.phase, e.dlg, e.acked, e.cursor, e.head, e.fed, e.shift, e.flight, e.window, e.calmAt, e.openStep, e.own,
		e.Deadline().Sub(c.o.Now()), c.armed.Sub(c.o.Now()), c.writing, c.pending, e.afterResend, e.suspect)
}

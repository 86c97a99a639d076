//go:build !linux

package sim

import "time"

type fineTimer struct{ c chan struct{} }

func newFineTimer() *fineTimer         { return nil }
func (t *fineTimer) set(time.Duration) {}
func (t *fineTimer) stop()             {}

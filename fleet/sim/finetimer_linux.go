package sim

import (
	"os"
	"time"

	"golang.org/x/sys/unix"
)

// fineTimer wakes more exactly than the runtime's timers, which keep to whole
// milliseconds: at a megabaud a line takes a quarter of one. The kernel's timer
// is read through the poller, so no thread stands still for it.
type fineTimer struct {
	fd int
	f  *os.File
	c  chan struct{}
}

func newFineTimer() *fineTimer {
	fd, err := unix.TimerfdCreate(unix.CLOCK_MONOTONIC, unix.TFD_NONBLOCK|unix.TFD_CLOEXEC)
	if err != nil {
		return nil
	}
	t := &fineTimer{fd: fd, f: os.NewFile(uintptr(fd), "timer"), c: make(chan struct{}, 1)}
	go func() {
		var buf [8]byte
		for {
			if _, err := t.f.Read(buf[:]); err != nil {
				return
			}
			select {
			case t.c <- struct{}{}:
			default:
			}
		}
	}()
	return t
}

// set makes c have a value after d; one from an earlier set may still be there.
func (t *fineTimer) set(d time.Duration) {
	ts := unix.ItimerSpec{Value: unix.NsecToTimespec(int64(max(d, 1)))}
	_ = unix.TimerfdSettime(t.fd, 0, &ts, nil)
}

func (t *fineTimer) stop() { t.f.Close() }

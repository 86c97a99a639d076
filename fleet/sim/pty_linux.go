package sim

import (
	"errors"
	"fmt"
	"io/fs"
	"os"
	"path/filepath"
	"sync"
	"sync/atomic"
	"syscall"
	"time"
	"unsafe"

	"github.com/creack/pty"
	"golang.org/x/sys/unix"
)

// ptyLine is a pseudo-terminal. The slave stays open here, so that a host may
// open and close it as often as it likes; an inotify watch tells when one does.
type ptyLine struct {
	*reader
	path          string
	master, slave *os.File
	raw           syscall.RawConn
	watch         *os.File // nil when the system has no watch to give

	offer  []byte
	took   int
	writer func(fd uintptr) bool

	hosts    atomic.Int32 // hosts that have it open; kept at 1 when nobody can tell
	presumed atomic.Bool  // bytes came in before the watch told of the host that sent them
	gated    bool
	shut     atomic.Bool // gated, and the board does not know of the host yet
	open     chan struct{}
	stopOnce sync.Once
}

// openPTY makes a pseudo-terminal and links path to it. A gated one passes
// nothing on to a host until the board has taken notice that it is there.
func openPTY(path string, gated bool) (line, error) {
	if st, err := os.Lstat(path); err == nil && st.Mode()&fs.ModeSymlink == 0 {
		return nil, fmt.Errorf("%s exists and is not a symbolic link: choose another path or remove it", path)
	}
	master, slave, err := pty.Open()
	if err != nil {
		return nil, fmt.Errorf("opening a pseudo-terminal: %w", err)
	}
	if master, err = throughPoller(master); err != nil {
		slave.Close()
		return nil, fmt.Errorf("opening a pseudo-terminal: %w", err)
	}
	l := &ptyLine{reader: newReader(chunks, chunkBytes), path: path, master: master, slave: slave, gated: gated, open: make(chan struct{}, 1)}
	if err := l.setUp(); err != nil {
		master.Close()
		slave.Close()
		return nil, err
	}
	go l.loop(hearing{l})
	if l.watch != nil {
		go l.watchLoop()
	}
	return l, nil
}

func (l *ptyLine) setUp() error {
	if err := makeRaw(l.slave); err != nil {
		return fmt.Errorf("setting the pseudo-terminal to raw: %w", err)
	}
	var err error
	if l.raw, err = l.master.SyscallConn(); err != nil {
		return err
	}
	l.writer = func(fd uintptr) bool {
		n, err := unix.Write(int(fd), l.offer)
		switch {
		case n > 0:
			l.took = n
		case errors.Is(err, unix.EAGAIN), errors.Is(err, unix.EINTR):
			l.took = 0
		default:
			l.took = len(l.offer)
		}
		return true
	}
	l.hosts.Store(1)
	if fd, err := unix.InotifyInit1(unix.IN_CLOEXEC | unix.IN_NONBLOCK); err == nil {
		if _, err := unix.InotifyAddWatch(fd, l.slave.Name(), unix.IN_OPEN|unix.IN_CLOSE); err == nil {
			l.watch = os.NewFile(uintptr(fd), "inotify")
			l.hosts.Store(0)
		} else {
			unix.Close(fd)
		}
	}
	// Under a new name first: whoever looks sees the old link or the new one.
	tmp := filepath.Join(filepath.Dir(l.path), fmt.Sprintf(".%s.%d", filepath.Base(l.path), os.Getpid()))
	os.Remove(tmp)
	if err := os.Symlink(l.slave.Name(), tmp); err != nil {
		return cannotLink(l.path, err)
	}
	if err := os.Rename(tmp, l.path); err != nil {
		os.Remove(tmp)
		return cannotLink(l.path, err)
	}
	return nil
}

func cannotLink(path string, err error) error {
	switch {
	case errors.Is(err, fs.ErrNotExist):
		return fmt.Errorf("linking the pseudo-terminal at %s: there is no directory %s: make it or choose another path", path, filepath.Dir(path))
	case errors.Is(err, fs.ErrPermission):
		return fmt.Errorf("linking the pseudo-terminal at %s: %s may not be written by this user: choose another path", path, filepath.Dir(path))
	}
	return fmt.Errorf("linking the pseudo-terminal at %s: %w", path, err)
}

// throughPoller wraps the descriptor anew: the library leaves it blocking, and a
// blocking read holds a thread and keeps the descriptor from being closed.
func throughPoller(f *os.File) (*os.File, error) {
	defer f.Close()
	fd, err := unix.FcntlInt(f.Fd(), unix.F_DUPFD_CLOEXEC, 0)
	if err != nil {
		return nil, err
	}
	if err := unix.SetNonblock(fd, true); err != nil {
		unix.Close(fd)
		return nil, err
	}
	return os.NewFile(uintptr(fd), f.Name()), nil
}

// makeRaw turns off everything that a terminal does to bytes.
func makeRaw(f *os.File) error {
	c, err := f.SyscallConn()
	if err != nil {
		return err
	}
	var failed error
	err = c.Control(func(fd uintptr) {
		t, err := unix.IoctlGetTermios(int(fd), unix.TCGETS)
		if err != nil {
			failed = err
			return
		}
		t.Iflag, t.Oflag, t.Lflag = 0, 0, 0
		t.Cflag = t.Cflag&^(unix.CSIZE|unix.PARENB) | unix.CS8 | unix.CREAD | unix.CLOCAL
		t.Cc[unix.VMIN], t.Cc[unix.VTIME] = 1, 0
		failed = unix.IoctlSetTermios(int(fd), unix.TCSETS, t)
	})
	if err != nil {
		return err
	}
	return failed
}

// hearing reads the master and notes that somebody is there.
type hearing struct{ l *ptyLine }

func (h hearing) Read(p []byte) (int, error) {
	n, err := h.l.master.Read(p)
	if n > 0 && h.l.hosts.Load() == 0 {
		h.l.presumed.Store(true)
	}
	return n, err
}

func (l *ptyLine) watchLoop() {
	buf := make([]byte, 64*unix.SizeofInotifyEvent)
	for {
		n, err := l.watch.Read(buf)
		if err != nil {
			return
		}
		for at := 0; at+unix.SizeofInotifyEvent <= n; {
			e := (*unix.InotifyEvent)(unsafe.Pointer(&buf[at]))
			at += unix.SizeofInotifyEvent + int(e.Len)
			switch {
			case e.Mask&unix.IN_OPEN != 0:
				l.presumed.Store(false)
				l.shut.Store(l.gated)
				if l.hosts.Add(1) == 1 || l.gated {
					select {
					case l.open <- struct{}{}:
					default:
					}
				}
			case e.Mask&unix.IN_CLOSE != 0:
				if l.hosts.Add(-1) == 0 {
					l.presumed.Store(false)
					l.forget()
				}
			}
		}
	}
}

// forget drops what no host read: a serial port keeps nothing for the next one
// to open it.
func (l *ptyLine) forget() {
	if c, err := l.slave.SyscallConn(); err == nil {
		_ = c.Control(func(fd uintptr) { _ = unix.IoctlSetInt(int(fd), unix.TCFLSH, unix.TCIFLUSH) })
	}
}

func (l *ptyLine) send(p []byte) int {
	if l.hosts.Load() == 0 && !l.presumed.Load() || l.shut.Load() {
		return len(p)
	}
	l.offer, l.took = p, len(p)
	// The conn's own error is that of a closed file: the bytes are lost then.
	_ = l.raw.Write(l.writer)
	l.offer = nil
	return l.took
}

func (l *ptyLine) writable() <-chan struct{} { return nil }
func (l *ptyLine) opened() <-chan struct{}   { return l.open }
func (l *ptyLine) noticed()                  { l.shut.Store(false) }
func (l *ptyLine) realTime() bool            { return true }

func (l *ptyLine) close() {
	l.stopOnce.Do(func() {
		if to, err := os.Readlink(l.path); err == nil && to == l.slave.Name() {
			os.Remove(l.path)
		}
		close(l.stop)
		if l.watch != nil {
			l.watch.Close()
		}
		l.master.SetReadDeadline(time.Unix(1, 0))
		l.slave.Close()
		l.master.Close()
	})
}

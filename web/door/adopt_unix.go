//go:build unix

package door

import (
	"errors"
	"io/fs"
	"os"
	"syscall"
)

// adopt gives f to the owner of dir, where this process may: what root writes
// into the daemon's folder must be the daemon's to read.
func adopt(f *os.File, dir string) error {
	info, err := os.Stat(dir)
	if err != nil {
		return err
	}
	owner, ok := info.Sys().(*syscall.Stat_t)
	if !ok || int(owner.Uid) == os.Geteuid() {
		return nil
	}
	if err := f.Chown(int(owner.Uid), int(owner.Gid)); err != nil && !errors.Is(err, fs.ErrPermission) {
		return err
	}
	return nil
}

package ports

import (
	"os"
	"path/filepath"
	"slices"
	"strconv"
	"strings"
)

// Holders says which processes have which devices open, by the kernel's
// /proc below root. Of other users' processes only root sees the files, so that
// all is false when some could not be looked into.
func Holders(root string) (by map[string][]Process, all bool) {
	by, all = map[string][]Process{}, true
	entries, err := os.ReadDir(filepath.Join(root, "proc"))
	if err != nil {
		return by, false
	}
	for _, e := range entries {
		pid, err := strconv.Atoi(e.Name())
		if err != nil {
			continue
		}
		dir := filepath.Join(root, "proc", e.Name())
		files, err := os.ReadDir(filepath.Join(dir, "fd"))
		if err != nil {
			all = all && os.IsNotExist(err) // it ended meanwhile
			continue
		}
		var devices []string
		for _, f := range files {
			if device, err := os.Readlink(filepath.Join(dir, "fd", f.Name())); err == nil && strings.HasPrefix(device, "/dev/") {
				devices = append(devices, device)
			}
		}
		p := Process{PID: pid, Name: attribute(dir, "comm")}
		for _, device := range devices {
			// Whoever plays the machine behind a pseudo-terminal does not hold it.
			if strings.HasPrefix(device, "/dev/pts/") && slices.Contains(devices, "/dev/ptmx") {
				continue
			}
			if !slices.Contains(by[device], p) {
				by[device] = append(by[device], p)
			}
		}
	}
	return by, all
}

// Running lists the processes of this name whose command line has the word as
// its first argument, but for the process of that id.
func Running(root, name, word string, but int) []Process {
	entries, err := os.ReadDir(filepath.Join(root, "proc"))
	if err != nil {
		return nil
	}
	var out []Process
	for _, e := range entries {
		pid, err := strconv.Atoi(e.Name())
		if err != nil || pid == but {
			continue
		}
		line, err := os.ReadFile(filepath.Join(root, "proc", e.Name(), "cmdline"))
		if err != nil {
			continue
		}
		args := strings.Split(string(line), "\x00")
		if len(args) > 1 && filepath.Base(args[0]) == name && args[1] == word {
			out = append(out, Process{PID: pid, Name: name})
		}
	}
	return out
}

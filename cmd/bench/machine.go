package main

import (
	"fmt"
	"os"
	"runtime"
	"strings"
	"syscall"
	"time"
)

// machine says what the figures were measured on.
func machine() string {
	model := "processor unknown"
	if b, err := os.ReadFile("/proc/cpuinfo"); err == nil {
		for line := range strings.Lines(string(b)) {
			if name, value, ok := strings.Cut(line, ":"); ok && strings.TrimSpace(name) == "model name" {
				model = strings.TrimSpace(value)
				break
			}
		}
	}
	load := ""
	if b, err := os.ReadFile("/proc/loadavg"); err == nil {
		if one, _, ok := strings.Cut(string(b), " "); ok {
			load = ", load before the start " + one
		}
	}
	return fmt.Sprintf("%d cores (%s), %s, %s/%s%s, %s", runtime.NumCPU(), model, runtime.Version(), runtime.GOOS, runtime.GOARCH,
		load, time.Now().Format("2006-01-02"))
}

// cpuTime is what this process has used of the processors.
func cpuTime() time.Duration {
	var u syscall.Rusage
	if syscall.Getrusage(syscall.RUSAGE_SELF, &u) != nil {
		return 0
	}
	return time.Duration(u.Utime.Nano() + u.Stime.Nano())
}

// memory is what the process holds in heap and stacks.
func memory() int64 {
	runtime.GC()
	runtime.GC()
	var m runtime.MemStats
	runtime.ReadMemStats(&m)
	return int64(m.HeapAlloc + m.StackInuse)
}

package main

import (
	"bytes"
	"encoding/json"
	"errors"
	"fmt"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"syscall"
	"testing"
	"time"

	"undercroft/fleet/sim"
)

// rings writes a warm file of a few layers; with waits it asks for a person
// after the first one.
func rings(t *testing.T, waits string) string {
	t.Helper()
	var b strings.Builder
	b.WriteString("G28\nM109 S200\nM83\n")
	for layer := 1; layer <= 120; layer++ {
		fmt.Fprintf(&b, "G1 X50 Y50 Z%.1f F6000\nG1 X90 Y50 E1.5 F3000\nG1 X90 Y90 E1.5\nG1 X50 Y90 E1.5\nG1 X50 Y50 E1.5\n", float64(layer)*0.2)
		if layer == 2 && waits != "" {
			b.WriteString(waits + "\n")
		}
	}
	b.WriteString("M104 S0\n")
	path := filepath.Join(t.TempDir(), "rings.gcode")
	if err := os.WriteFile(path, []byte(b.String()), 0o600); err != nil {
		t.Fatal(err)
	}
	return path
}

// TestSendTellsWhatEndedIt streams to printers that fail in mid-file: the record
// names the cause, counts what is certainly done, and the exit code says that the
// file was not executed to its end.
func TestSendTellsWhatEndedIt(t *testing.T) {
	if testing.Short() {
		t.Skip("starts processes")
	}
	for fault, cause := range map[string]string{
		"reset@line=40":                    "rebooted",
		"unplug@line=40":                   "port-lost",
		"silence@line=40,silence-for=600s": "silent",
		"halt@line=40":                     "halted",
	} {
		t.Run(cause, func(t *testing.T) {
			t.Parallel()
			port := filepath.Join(t.TempDir(), "port")
			trace := port + ".trace"
			v := exec.Command("undercroft", "virtual", "--at", port, "--pace", "60", "--faults", fault, "--trace", trace)
			if err := v.Start(); err != nil {
				t.Fatal(err)
			}
			defer func() {
				_ = v.Process.Kill()
				_ = v.Wait()
			}()
			for end := time.Now().Add(20 * time.Second); ; time.Sleep(20 * time.Millisecond) {
				if _, err := os.Stat(port); err == nil {
					break
				}
				if time.Now().After(end) {
					t.Fatal("no virtual printer")
				}
			}
			cmd := exec.Command("undercroft", "send", "--port", port, "--baud", "250000", "--json", rings(t, ""))
			var out, errOut bytes.Buffer
			cmd.Stdout, cmd.Stderr = &out, &errOut
			_ = cmd.Run()
			if code := cmd.ProcessState.ExitCode(); code != exitRunFailed {
				t.Errorf("exit code %d, want %d\n%s%s", code, exitRunFailed, out.String(), errOut.String())
			}
			var rec sendRecord
			if err := json.Unmarshal(out.Bytes(), &rec); err != nil {
				t.Fatalf("%v in %s", err, out.String())
			}
			if rec.Outcome != "failed" || rec.Cause != cause || rec.Text == "" {
				t.Errorf("%+v", rec)
			}
			// The fault strikes after 40 commands, the host's own questions included.
			if rec.LinesDone > 40 || rec.CompletedHeightMM > 8*0.2 || rec.LinesSent < 25 {
				t.Errorf("%d lines done of %d sent, height %.2f mm", rec.LinesDone, rec.LinesSent, rec.CompletedHeightMM)
			}
		})
	}
}

// TestSendEndsThoughThePrinterWaits interrupts a run while the firmware waits for
// a person: it ends in the time given, or at once at a second signal, and the
// heaters are off.
func TestSendEndsThoughThePrinterWaits(t *testing.T) {
	for name, c := range map[string]struct {
		waits string
		twice bool
		said  string
	}{
		"time is up":      {"M0", false, "emergency stop"},
		"a second signal": {"M0", true, "emergency stop"},
		"nothing waits":   {"", false, "the heaters were turned off"},
	} {
		t.Run(name, func(t *testing.T) {
			t.Parallel()
			port := filepath.Join(t.TempDir(), "port")
			p, err := sim.New(sim.Options{Path: port, Family: sim.FamilyA, AllOptions: true, Pace: 60})
			if err != nil {
				t.Fatal(err)
			}
			defer p.Close()
			stop := make(chan os.Signal, 2)
			var out, errOut bytes.Buffer
			cmd := sendCmd{Port: port, Baud: 250000, JSON: true, File: rings(t, c.waits)}
			within := time.Second
			if c.twice {
				within = time.Minute
			}
			ended := make(chan error, 1)
			go func() { ended <- cmd.run(stop, within, &out, &errOut) }()
			// Ten moves and the wait behind them, or some of all the moves.
			for end := time.Now().Add(30 * time.Second); p.Truth().Commands < 20; time.Sleep(20 * time.Millisecond) {
				if time.Now().After(end) {
					t.Fatalf("only %d commands", p.Truth().Commands)
				}
			}
			time.Sleep(300 * time.Millisecond)
			stop <- syscall.SIGTERM
			if c.twice {
				time.Sleep(300 * time.Millisecond)
				stop <- syscall.SIGTERM
			}
			var exit *exitError
			select {
			case err = <-ended:
				if !errors.As(err, &exit) || exit.code != exitRunFailed {
					t.Errorf("%v", err)
				}
			case <-time.After(20 * time.Second):
				t.Fatal("it did not end")
			}
			if !strings.Contains(errOut.String(), c.said) || c.waits == "" && strings.Contains(errOut.String(), "emergency") {
				t.Errorf("it said %s", errOut.String())
			}
			var rec sendRecord
			if err := json.Unmarshal(out.Bytes(), &rec); err != nil || rec.Outcome != "interrupted" {
				t.Errorf("%v %+v", err, rec)
			}
			for _, h := range p.Truth().Heaters {
				if h.TargetC != 0 {
					t.Errorf("a heater's target is %g °C at the end", h.TargetC)
				}
			}
		})
	}
}

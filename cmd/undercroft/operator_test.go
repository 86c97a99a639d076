package main

import (
	"errors"
	"fmt"
	"net"
	"os"
	"os/exec"
	"path/filepath"
	"regexp"
	"strings"
	"testing"
	"time"

	"github.com/rogpeppe/go-internal/testscript"
)

// TestOperator runs the stories of a person before one printer: what is typed,
// and what is said, with a daemon, a virtual printer and a pseudo-terminal.
func TestOperator(t *testing.T) {
	if testing.Short() {
		t.Skip("starts processes")
	}
	testscript.Run(t, testscript.Params{
		Dir:           "testdata/operator",
		UpdateScripts: os.Getenv("UNDERCROFT_UPDATE") != "",
		Setup: func(e *testscript.Env) error {
			l, err := net.Listen("tcp", "127.0.0.1:0")
			if err != nil {
				return err
			}
			defer l.Close()
			e.Setenv("UNDERCROFT_SERVER", "http://"+l.Addr().String())
			conf, err := os.ReadFile("testdata/operator/undercroft.toml")
			if err != nil {
				return err
			}
			conf = []byte(strings.NewReplacer("ADDRESS", l.Addr().String(), "PORTS", e.WorkDir).Replace(string(conf)))
			return errors.Join(
				os.WriteFile(filepath.Join(e.WorkDir, "undercroft.toml"), conf, 0o600),
				os.WriteFile(filepath.Join(e.WorkDir, "rib.gcode"), []byte(rib()), 0o600))
		},
		Cmds: map[string]func(*testscript.TestScript, bool, []string){"await": await},
	})
}

// rib is the file of these stories: 30 layers of three loops each.
func rib() string {
	var b strings.Builder
	b.WriteString("; a rib of the wing\nM140 S60\nM104 S200\nM190 S60\nM109 S200\nG28\nG90\nM83\n")
	for layer := range 30 {
		fmt.Fprintf(&b, "G1 Z%.1f F600\n", 0.2*float64(layer+1))
		for in := range 3 {
			for _, to := range [][2]int{{50, 50}, {90, 50}, {90, 90}, {50, 90}} {
				fmt.Fprintf(&b, "G1 X%d Y%d E1.3 F600\n", to[0]+in, to[1]+in)
			}
		}
	}
	b.WriteString("M104 S0\nM140 S0\nG1 X0 Y190 F6000\nM84\n")
	return b.String()
}

// await NAME WORDS waits until the list of printers has a line of NAME that says
// WORDS, a regular expression.
func await(ts *testscript.TestScript, neg bool, args []string) {
	if neg || len(args) != 2 {
		ts.Fatalf("usage: await NAME WORDS")
	}
	words, err := regexp.Compile(args[1])
	ts.Check(err)
	var last []byte
	for end := time.Now().Add(90 * time.Second); time.Now().Before(end); time.Sleep(100 * time.Millisecond) {
		list := exec.Command("undercroft", "printers")
		list.Env = append(os.Environ(), "UNDERCROFT_SERVER="+ts.Getenv("UNDERCROFT_SERVER"))
		last, _ = list.CombinedOutput() // the daemon may not answer yet
		for line := range strings.Lines(string(last)) {
			if line = strings.TrimSpace(line); strings.HasPrefix(line, args[0]+" ") && words.MatchString(line) {
				return
			}
		}
	}
	ts.Fatalf("%s does not come to say %q:\n%s", args[0], args[1], last)
}

package main

import (
	"net"
	"os"
	"os/exec"
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
			e.Setenv("ADDRESS", l.Addr().String())
			e.Setenv("UNDERCROFT_SERVER", "http://"+l.Addr().String())
			return nil
		},
		Cmds: map[string]func(*testscript.TestScript, bool, []string){"await": await},
	})
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

package main

import (
	"os"
	"os/exec"
	"path/filepath"
	"regexp"
	"strings"
	"syscall"
	"testing"
)

// A house that is opened to others: people and keys are written down while the
// daemon runs, its certificate is known by its fingerprint, and the record says
// who did what.
func TestTheDoorIsOpened(t *testing.T) {
	s := newSite(t, 60, "Merel")
	conf := filepath.Join(s.dir, "undercroft.toml")
	text, err := os.ReadFile(conf)
	if err != nil {
		t.Fatal(err)
	}
	text = []byte(strings.Replace(string(text), "[house]\n", "[house]\ntls = \"self-made\"\n", 1))
	if err := os.WriteFile(conf, text, 0o600); err != nil {
		t.Fatal(err)
	}
	server := "https://" + s.address
	s.daemon = exec.Command("undercroft", "serve", "--config", conf)
	log, err := os.Create(filepath.Join(s.dir, "serve.log"))
	if err != nil {
		t.Fatal(err)
	}
	defer log.Close()
	s.daemon.Stdout, s.daemon.Stderr = log, log
	if err := s.daemon.Start(); err != nil {
		t.Fatal(err)
	}
	var fingerprint string
	s.wait("the fingerprint", func() bool {
		said, _ := os.ReadFile(log.Name())
		if m := regexp.MustCompile(`fingerprint ([0-9A-F:]{95})`).FindSubmatch(said); m != nil {
			fingerprint = string(m[1])
		}
		return fingerprint != ""
	})

	try := func(want int, word string, args ...string) string {
		t.Helper()
		out, errOut, code := s.try(args...)
		if code != want || !strings.Contains(out+errOut, word) {
			t.Fatalf("%v: exit code %d, want %d with %q; it said\n%s%s", args, code, want, word, out, errOut)
		}
		return out
	}
	trust := []string{"--server", server, "--trust", fingerprint}
	// In the folder with the configuration nothing needs to be said.
	t.Setenv("UNDERCROFT_SERVER", "")
	try(exitNotReached, "another certificate", "printers", "--server", server, "--trust", strings.Repeat("00:", 31)+"00")
	try(exitUsage, "not a SHA-256", "printers", "--server", server, "--trust", "me")
	try(exitDone, "Merel", append([]string{"printers"}, trust...)...)
	plain := exec.Command("undercroft", "printers")
	plain.Dir = s.dir
	if out, err := plain.CombinedOutput(); err != nil || !strings.Contains(string(out), "Merel") {
		t.Errorf("without a word in the house's folder: %v\n%s", err, out)
	}
	strange := exec.Command("undercroft", "printers", "--server", server)
	strange.Dir = t.TempDir()
	if out, err := strange.CombinedOutput(); err == nil || !strings.Contains(string(out), fingerprint) {
		t.Errorf("from a folder that does not know the certificate: %v\n%s", err, out)
	}

	// A person comes in at the form only; the commands here have the house's key.
	add := exec.Command("undercroft", "people", "add", "Wim", "--role", "operate")
	add.Dir, add.Stdin = s.dir, strings.NewReader("a reed by the water\n")
	if out, err := add.CombinedOutput(); err != nil || !strings.Contains(string(out), "Wim may operate") {
		t.Fatalf("people add: %v\n%s", err, out)
	}
	try(exitDone, "operate", "people", "list")
	try(exitDone, "Merel", append([]string{"printers"}, trust...)...)
	if err := os.Rename(filepath.Join(s.dir, "data", houseKey), filepath.Join(s.dir, "elsewhere")); err != nil {
		t.Fatal(err)
	}
	try(exitNotLetIn, "credential", append([]string{"printers"}, trust...)...)

	key := strings.TrimSpace(try(exitDone, "uc-", "keys", "add", "gauges"))
	t.Setenv("UNDERCROFT_KEY", key)
	try(exitDone, "Merel", append([]string{"printers"}, trust...)...)
	try(exitNotLetIn, "gauges may watch", append([]string{"cool"}, trust...)...)
	operate := strings.TrimSpace(try(exitDone, "uc-", "keys", "add", "script", "--role", "operate"))
	t.Setenv("UNDERCROFT_KEY", operate)
	try(exitDone, "", append([]string{"hours", "--home", "none", "--cold", "none"}, trust...)...)
	record := try(exitDone, "script", append([]string{"audit"}, trust...)...)
	if !strings.Contains(record, "gauges") || !strings.Contains(record, "403") || strings.Contains(record, "reed") {
		t.Errorf("the record is\n%s", record)
	}
	try(exitNotFound, "nobody", "keys", "remove", "Otto")
	try(exitDone, "", "keys", "remove", "script")
	try(exitNotLetIn, "credential", append([]string{"audit"}, trust...)...)
	if code := s.end(syscall.SIGTERM); code != exitDone {
		t.Errorf("the daemon ended with %d", code)
	}
}

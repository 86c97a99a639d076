package main

import (
	"bytes"
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"time"
)

// registryParser is a general-purpose library that takes G-code apart into words
// and does nothing else with it.
type registryParser struct{ name, version string }

var registryParsers = []registryParser{{"gcode-parser", "2.2.0"}, {"gcode-interpreter", "3.0.0"}}

// registryJS reads the file named first with the library named second, as that
// library's own description says, and prints the seconds it took.
const registryJS = `
const fs = require('fs');
const text = fs.readFileSync(process.argv[2], 'utf8');
const lib = require(process.argv[3]);
const start = process.hrtime.bigint();
let words = 0;
if (lib.parseStringSync) {
  words = lib.parseStringSync(text).length;
} else {
  const Interpreter = lib.default || lib;
  const one = () => { words++; };
  new Interpreter({handlers: {G0: one, G1: one}}).loadFromStringSync(text);
}
if (words === 0) throw new Error('nothing was read');
console.log(JSON.stringify({seconds: Number(process.hrtime.bigint() - start) / 1e9}));
`

// registryMB is how much of the file they are given: they take seconds for it, and
// keep all of it in memory.
const registryMB = 8

// readByRegistry gives the megabytes a second of each library on the first bytes
// of the file, or says why it cannot.
func readByRegistry(dir, name string, p registryParser) (mbs float64, err error) {
	if _, err := exec.LookPath("npm"); err != nil {
		return 0, errors.New("skipped: npm is not installed")
	}
	if _, err := exec.LookPath("node"); err != nil {
		return 0, errors.New("skipped: node is not installed")
	}
	ctx, cancel := context.WithTimeout(context.Background(), 2*time.Minute)
	defer cancel()
	install := exec.CommandContext(ctx, "npm", "install", "--silent", "--no-audit", "--no-fund", "--ignore-scripts", p.name+"@"+p.version)
	install.Dir = dir
	if out, err := install.CombinedOutput(); err != nil {
		return 0, fmt.Errorf("skipped: npm gave no %s %s: %w %s", p.name, p.version, err, bytes.TrimSpace(out))
	}
	cut, script := filepath.Join(dir, "cut.gcode"), filepath.Join(dir, "read.js")
	n, err := cutFile(name, cut, registryMB*1_000_000)
	if err != nil {
		return 0, err
	}
	if err := os.WriteFile(script, []byte(registryJS), 0o644); err != nil {
		return 0, err
	}
	var said strings.Builder
	read := exec.CommandContext(ctx, "node", script, cut, p.name)
	read.Dir, read.Stderr = dir, &said
	out, err := read.Output()
	if err != nil {
		return 0, fmt.Errorf("skipped: %s: %w %s", p.name, err, lastLine(said.String()))
	}
	var took struct{ Seconds float64 }
	if err := json.Unmarshal(out, &took); err != nil || took.Seconds <= 0 {
		return 0, fmt.Errorf("skipped: %s says %q", p.name, out)
	}
	return float64(n) / 1e6 / took.Seconds, nil
}

func lastLine(s string) string {
	s = strings.TrimSpace(s)
	return s[strings.LastIndexByte(s, '\n')+1:]
}

// cutFile copies the first bytes of a file, up to a line's end.
func cutFile(from, to string, size int64) (int64, error) {
	f, err := os.Open(from)
	if err != nil {
		return 0, err
	}
	defer f.Close()
	head, err := io.ReadAll(io.LimitReader(f, size))
	if err != nil {
		return 0, err
	}
	head = head[:bytes.LastIndexByte(head, '\n')+1]
	return int64(len(head)), os.WriteFile(to, head, 0o644)
}

package main

import (
	"maps"
	"os"
	"path/filepath"
	"slices"
	"testing"
)

func TestTargetsOf(t *testing.T) {
	path := filepath.Join(t.TempDir(), "a.gcode")
	text := "M140 S60 ; bed\nM109 S215\nm104s210\nM104 S210\nT1\nM109 R205\nM104 T0 S180\nM190 S60\nM104 S0\n; M104 S999\nM117 S500\n"
	if err := os.WriteFile(path, []byte(text), 0o600); err != nil {
		t.Fatal(err)
	}
	got, err := targetsOf(path)
	if err != nil {
		t.Fatal(err)
	}
	want := map[string][]float64{"B": {60}, "T0": {215, 210, 180}, "T1": {205}}
	if !maps.EqualFunc(got, want, slices.Equal[[]float64]) {
		t.Errorf("targets are %v, want %v", got, want)
	}
}

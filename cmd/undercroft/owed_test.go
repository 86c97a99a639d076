package main

import (
	"log/slog"
	"maps"
	"os"
	"path/filepath"
	"slices"
	"testing"

	"undercroft/queue/store"
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

// What a printer may still have from us is known to the next daemon, until it is
// settled.
func TestDebtsAreKept(t *testing.T) {
	s, _, err := store.Open(t.Context(), t.TempDir(), store.Options{})
	if err != nil {
		t.Fatal(err)
	}
	defer s.Close()
	d := debts{s, slog.New(slog.DiscardHandler)}
	want := map[string][]float64{"B": {60}, "T0": {215, 170}}
	d.KeepOwed("Bittern", want)
	d.KeepOwed("Curlew", want)
	d.KeepOwed("Curlew", nil)
	got, err := owedHeat(t.Context(), s, []string{"Bittern", "Curlew", "Dunlin"}, nil)
	if err != nil {
		t.Fatal(err)
	}
	if len(got) != 1 || !maps.EqualFunc(got["Bittern"], want, slices.Equal[[]float64]) {
		t.Errorf("owed is %v, want Bittern's %v alone", got, want)
	}
}

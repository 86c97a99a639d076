package main

import (
	"log/slog"
	"reflect"
	"testing"

	"undercroft/fleet/watch"
	"undercroft/queue/store"
)

func TestCurvesAreKept(t *testing.T) {
	s, _, err := store.Open(t.Context(), t.TempDir(), store.Options{})
	if err != nil {
		t.Fatal(err)
	}
	defer s.Close()
	c := curves{s, slog.New(slog.DiscardHandler)}
	if got := c.Curves("Bittern"); len(got) != 0 {
		t.Errorf("a new printer has curves: %+v", got)
	}
	bed := watch.Curve{Heater: "B", RiseCS: 0.18, LossS: 0.0012, DeadS: 6, HeatUps: 4, TopC: 66, N: 30, X: 1200, Y: 4, XX: 50000, XY: 150}
	nozzle := watch.Curve{Heater: "T0", RiseCS: 2.9, LossS: 0.009, HeatUps: 1}
	c.KeepCurve("Bittern", bed)
	c.KeepCurve("Bittern", nozzle)
	c.KeepCurve("Curlew", nozzle)
	if got := c.Curves("Bittern"); !reflect.DeepEqual(got, []watch.Curve{nozzle, bed}) {
		t.Errorf("%+v", got)
	}
}

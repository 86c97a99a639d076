package main

import (
	"log/slog"
	"math"
	"reflect"
	"strings"
	"testing"

	"undercroft/fleet/watch"
	"undercroft/gcode/analyze"
	"undercroft/queue/intake"
	"undercroft/queue/store"
	"undercroft/web"
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

// TestTaught holds what a printer has taught against arithmetic: a lag that rises
// at 3 °C/s less 0.01 of its temperature ends at 300 °C, and takes
// 100·ln((300−20)/(300−210)) s from 20 to 210 °C.
func TestTaught(t *testing.T) {
	s, _, err := store.Open(t.Context(), t.TempDir(), store.Options{})
	if err != nil {
		t.Fatal(err)
	}
	defer s.Close()
	c := curves{s, slog.New(slog.DiscardHandler)}
	c.KeepCurve("Bittern", watch.Curve{Heater: "T0", RiseCS: 3, LossS: 0.01, DeadS: 5, HeatUps: 3})
	c.KeepCurve("Bittern", watch.Curve{Heater: "B", RiseCS: 0.2, LossS: 0.001, HeatUps: 1}) // not trusted yet
	for _, x := range []float64{30, 20, 20, 4000} {
		if watch.Homing.Plausible(x) {
			c.KeepConstant("Bittern", watch.Homing, x)
		}
	}
	c.KeepConstant("Curlew", watch.Homing, 40)
	var k intake.Kind
	c.taught(&k, []string{"Bittern", "Curlew", "Dunlin"})
	if got, want := k.Heat.Seconds(analyze.HeatNozzle, 20, 210), 5+100*math.Log(280./90); math.Abs(got-want) > 1e-6 {
		t.Errorf("nozzle: %g s, want %g", got, want)
	}
	if got, want := k.Heat.Seconds(analyze.HeatBed, 20, 60), analyze.DefaultHeatS(analyze.HeatBed, 20, 60); got != want {
		t.Errorf("bed: %g s, want %g", got, want)
	}
	// 30, then 27, then 24.9, each 0.3 of the way to 20; and Curlew's 40.
	if want := (24.9 + 40) / 2; math.Abs(k.HomingS-want) > 1e-6 || k.LevellingS != 0 {
		t.Errorf("homing %g s, want %g; levelling %g s", k.HomingS, want, k.LevellingS)
	}
	m := web.Machine{HomingS: 31, LevellingS: 70, Heat: [3]web.MachineHeat{{RiseC: 280, TimeConstantS: 100, DeadS: 5}}}
	r, err := analyze.Read(strings.NewReader("M109 S210\nG28\nG29\nG28 X\n"), readWith(&m))
	if want := 5 + 100*math.Log(280./90) + 31 + 70 + 31./3; err != nil || math.Abs(r.TimeS-want) > 1e-6 {
		t.Errorf("%g s, want %g (%v)", r.TimeS, want, err)
	}
}

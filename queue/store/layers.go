package store

import (
	"encoding/binary"
	"fmt"
	"math"

	"undercroft/gcode/analyze"
)

// The layer index is stored packed: a version byte, then 23 little-endian 8-byte
// words a layer. 1,000 layers take 184 kB and unpack in microseconds. Version 1,
// of 15 words, had no state at the layer's start.
const (
	layerVersion = 2
	layerWords   = 23
	plainWords   = 15
	// firstEndS is where in the blob the first layer's EndS stands, as SQL counts
	// bytes: from 1, behind the version and seven words.
	firstEndS = 2 + 7*8
)

func packLayers(layers []analyze.Layer) []byte {
	b := make([]byte, 1, 1+len(layers)*layerWords*8)
	b[0] = layerVersion
	f := func(v float64) { b = binary.LittleEndian.AppendUint64(b, math.Float64bits(v)) }
	n := func(v int64) { b = binary.LittleEndian.AppendUint64(b, uint64(v)) }
	for i := range layers {
		l := &layers[i]
		f(l.TopMM)
		f(l.ThicknessMM)
		n(l.Offset)
		n(l.EndOffset)
		n(l.Line)
		n(l.EndLine)
		f(l.StartS)
		f(l.EndS)
		f(l.FilamentMM)
		box := l.Box
		if box.Empty {
			box.Min[0] = math.NaN()
		}
		for a := range 3 {
			f(box.Min[a])
			f(box.Max[a])
		}
		packState(&l.Start, f, n)
	}
	return b
}

func unpackLayers(b []byte) ([]analyze.Layer, error) {
	words := layerWords
	if len(b) > 0 && b[0] == 1 {
		words = plainWords
	}
	if len(b) == 0 || b[0] > layerVersion || b[0] == 0 || (len(b)-1)%(words*8) != 0 {
		return nil, fmt.Errorf("a layer index of %d bytes is not one that this version wrote", len(b))
	}
	b = b[1:]
	word := func() uint64 {
		v := binary.LittleEndian.Uint64(b)
		b = b[8:]
		return v
	}
	f := func() float64 { return math.Float64frombits(word()) }
	n := func() int64 { return int64(word()) }
	layers := make([]analyze.Layer, len(b)/(words*8))
	for i := range layers {
		l := &layers[i]
		l.TopMM, l.ThicknessMM = f(), f()
		l.Offset, l.EndOffset, l.Line, l.EndLine = n(), n(), n(), n()
		l.StartS, l.EndS, l.FilamentMM = f(), f(), f()
		for a := range 3 {
			l.Box.Min[a], l.Box.Max[a] = f(), f()
		}
		if math.IsNaN(l.Box.Min[0]) {
			l.Box = analyze.Box{Empty: true}
		}
		if words == layerWords {
			unpackState(&l.Start, f, n)
		}
	}
	return layers, nil
}

// A state's last word: a bit for each mode, then plane, motion command (from -1 on)
// and tool, a byte each.
const (
	stateKnown = 1 << iota
	stateInches
	stateRelative
	stateRelativeE
	stateEByG91
	stateVolumetric
)

func packState(s *analyze.State, f func(float64), n func(int64)) {
	for a := range 3 {
		f(s.Pos[a])
		f(s.Shift[a])
	}
	f(s.E)
	var bits int64
	for _, m := range stateModes(s) {
		if *m.on {
			bits |= m.bit
		}
	}
	n(bits | int64(s.Plane&0xff)<<8 | int64((s.Motion+1)&0xff)<<16 | int64(s.Tool&0xff)<<24)
}

func unpackState(s *analyze.State, f func() float64, n func() int64) {
	for a := range 3 {
		s.Pos[a], s.Shift[a] = f(), f()
	}
	s.E = f()
	bits := n()
	for _, m := range stateModes(s) {
		*m.on = bits&m.bit != 0
	}
	s.Plane, s.Motion, s.Tool = int(bits>>8&0xff), int(bits>>16&0xff)-1, int(bits>>24&0xff)
}

type stateMode struct {
	bit int64
	on  *bool
}

func stateModes(s *analyze.State) [6]stateMode {
	return [...]stateMode{
		{stateKnown, &s.Known}, {stateInches, &s.Inches}, {stateRelative, &s.Relative},
		{stateRelativeE, &s.RelativeE}, {stateEByG91, &s.EByG91}, {stateVolumetric, &s.Volumetric},
	}
}

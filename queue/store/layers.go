package store

import (
	"encoding/binary"
	"fmt"
	"math"

	"undercroft/gcode/analyze"
)

// The layer index is stored packed: a version byte, then 15 little-endian
// 8-byte words a layer. 1,000 layers take 120 kB and unpack in microseconds.
const (
	layerVersion = 1
	layerWords   = 15
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
	}
	return b
}

func unpackLayers(b []byte) ([]analyze.Layer, error) {
	if len(b) == 0 || b[0] != layerVersion || (len(b)-1)%(layerWords*8) != 0 {
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
	layers := make([]analyze.Layer, len(b)/(layerWords*8))
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
	}
	return layers, nil
}

package heron

import (
	"bufio"
	"io"
	"math"
	"strconv"
)

// filamentMM is the diameter of the filament that every file here is made for.
const filamentMM = 1.75

// beadAreaMM2 is the cross-section of a bead of the given width and height: a
// rectangle with half-round sides, w·h − h²(1−π/4). It needs widthMM >= heightMM.
func beadAreaMM2(widthMM, heightMM float64) float64 {
	return widthMM*heightMM - heightMM*heightMM*(1-math.Pi/4)
}

// pen writes G-code. It holds the machine's state as the file leaves it, in whole
// micrometres, so that what is written adds up and nothing is said twice.
type pen struct {
	out *bufio.Writer
	err error
	buf []byte
	eol string

	relativeE  bool
	originXMM  float64 // the bed's middle, in machine coordinates
	originYMM  float64
	x, y, z    int64   // µm, machine coordinates
	feed       int64   // mm/min, as last written
	fan        int     // 0…255, as last written; -1 before the first
	drawnMM    float64 // filament, exact, since the last G92 E0
	written    int64   // the same as written, in 0.01 µm
	retracted  bool
	retractMM  float64
	hop        int64   // µm; the nozzle is this much above the layer now
	areaRatio  float64 // mm of filament for 1 mm of bead of 1 mm²
	travelFeed int64
	zFeed      int64
}

func newPen(w io.Writer, eol string, relativeE bool) *pen {
	return &pen{
		out: bufio.NewWriterSize(w, 1<<16), buf: make([]byte, 0, 256), eol: eol, relativeE: relativeE, fan: -1,
		areaRatio: 4 / (math.Pi * filamentMM * filamentMM),
	}
}

func (p *pen) flush() error {
	if p.err == nil {
		p.err = p.out.Flush()
	}
	return p.err
}

// end closes the line in p.buf and sends it off.
func (p *pen) end() {
	p.buf = append(p.buf, p.eol...)
	if p.err == nil {
		_, p.err = p.out.Write(p.buf)
	}
	p.buf = p.buf[:0]
}

// line writes parts joined as they are.
func (p *pen) line(parts ...string) {
	for _, s := range parts {
		p.buf = append(p.buf, s...)
	}
	p.end()
}

// number writes letter and a value, with a space before it.
func (p *pen) number(letter byte, value float64, decimals int) {
	p.buf = append(p.buf, ' ', letter)
	scale := int64(math.Pow10(decimals))
	p.buf = appendScaled(p.buf, int64(math.Round(value*float64(scale))), scale)
}

// command writes a code with one value: "M104 S215".
func (p *pen) command(code string, letter byte, value float64) {
	p.buf = append(p.buf, code...)
	p.number(letter, value, 2)
	p.end()
}

func micron(mm float64) int64 { return int64(math.Round(mm * 1000)) }

// appendScaled writes v/scale in decimals without trailing zeros; scale is a power of ten.
func appendScaled(dst []byte, v, scale int64) []byte {
	if v < 0 {
		dst = append(dst, '-')
		v = -v
	}
	dst = strconv.AppendInt(dst, v/scale, 10)
	rest := v % scale
	if rest == 0 {
		return dst
	}
	dst = append(dst, '.')
	for rest != 0 {
		scale /= 10
		dst = append(dst, byte('0'+rest/scale))
		rest %= scale
	}
	return dst
}

func (p *pen) word(letter byte, v, scale int64) {
	p.buf = append(p.buf, ' ', letter)
	p.buf = appendScaled(p.buf, v, scale)
}

func (p *pen) feedWord(feed int64) {
	if feed != p.feed {
		p.word('F', feed, 1)
		p.feed = feed
	}
}

// draw adds mm of filament (negative: pulls back) and writes the E word.
func (p *pen) draw(mm float64) {
	p.drawnMM += mm
	total := int64(math.Round(p.drawnMM * 1e5))
	if p.relativeE {
		p.word('E', total-p.written, 1e5)
	} else {
		p.word('E', total, 1e5)
	}
	p.written = total
}

// zeroE starts E from nought again, where it is counted from the start.
func (p *pen) zeroE() {
	if p.relativeE {
		return
	}
	p.line("G92 E0")
	p.drawnMM -= float64(p.written) / 1e5
	p.written = 0
}

func (p *pen) retract() {
	if p.retracted || p.retractMM == 0 {
		return
	}
	p.buf = append(p.buf, "G1"...)
	p.draw(-p.retractMM)
	p.feedWord(2400)
	p.end()
	p.retracted = true
}

func (p *pen) prime() {
	if !p.retracted {
		return
	}
	p.buf = append(p.buf, "G1"...)
	p.draw(p.retractMM)
	p.feedWord(2400)
	p.end()
	p.retracted = false
}

// toZ moves the nozzle to heightMM plus the hop, if it is not there.
func (p *pen) toZ(heightMM float64) {
	z := micron(heightMM) + p.hop
	if z == p.z {
		return
	}
	p.z = z
	p.buf = append(p.buf, "G1"...)
	p.word('Z', z, 1000)
	p.feedWord(p.zFeed)
	p.end()
}

func (p *pen) machine(to point) (x, y int64) {
	return micron(to.x + p.originXMM), micron(to.y + p.originYMM)
}

// travel moves without drawing filament.
func (p *pen) travel(to point) {
	x, y := p.machine(to)
	if x == p.x && y == p.y {
		return
	}
	p.buf = append(p.buf, "G0"...)
	p.word('X', x, 1000)
	p.word('Y', y, 1000)
	p.feedWord(p.travelFeed)
	p.end()
	p.x, p.y = x, y
}

// lay draws a bead of areaMM2 from where the nozzle is to a point.
func (p *pen) lay(to point, areaMM2 float64, feed int64) {
	x, y := p.machine(to)
	dx, dy := x-p.x, y-p.y
	if dx == 0 && dy == 0 {
		return
	}
	p.buf = append(p.buf, "G1"...)
	p.word('X', x, 1000)
	p.word('Y', y, 1000)
	p.draw(math.Hypot(float64(dx), float64(dy)) / 1000 * areaMM2 * p.areaRatio)
	p.feedWord(feed)
	p.end()
	p.x, p.y = x, y
}

// layHalfCircle draws half a circle round a centre, anticlockwise or clockwise.
func (p *pen) layHalfCircle(centre point, anticlockwise bool, areaMM2 float64, feed int64) {
	cx, cy := p.machine(centre)
	i, j := cx-p.x, cy-p.y
	code := "G2"
	if anticlockwise {
		code = "G3"
	}
	p.buf = append(p.buf, code...)
	p.x, p.y = cx+i, cy+j
	p.word('X', p.x, 1000)
	p.word('Y', p.y, 1000)
	p.word('I', i, 1000)
	p.word('J', j, 1000)
	p.draw(math.Pi * math.Hypot(float64(i), float64(j)) / 1000 * areaMM2 * p.areaRatio)
	p.feedWord(feed)
	p.end()
}

func (p *pen) setFan(duty int) {
	if duty == p.fan {
		return
	}
	p.fan = duty
	if duty == 0 {
		p.line("M107")
		return
	}
	p.buf = append(p.buf, "M106"...)
	p.word('S', int64(duty), 1)
	p.end()
}

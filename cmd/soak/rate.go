package main

import (
	"bytes"
	"fmt"
	"io"
	"math/bits"
	"math/rand/v2"
	"os"
	"strconv"
	"text/tabwriter"
)

// rateCmd says how much damage a line's checksum, the exclusive or of its bytes,
// and its number let through: computed, and counted on damaged lines.
type rateCmd struct {
	Lines int    `default:"2000000" help:"Damaged lines for each figure that is counted."`
	Seed  uint64 `default:"1" help:"Seed of the damage."`
}

func (c *rateCmd) Run() error {
	if c.Lines < 1 {
		return fmt.Errorf("%d lines: give at least one", c.Lines)
	}
	return c.write(os.Stdout)
}

// sampleLine is a move as slicers write them, of middling length.
const (
	sampleNumber  = 123456
	samplePayload = "G1 X102.345 Y87.654 E0.04321"
)

// checked is the line as it is sent, without its end.
func checked(number int, payload string) []byte {
	b := fmt.Appendf(nil, "N%d %s", number, payload)
	return fmt.Appendf(b, "*%d", xorOf(b))
}

func xorOf(b []byte) (sum byte) {
	for _, c := range b {
		sum ^= c
	}
	return sum
}

// taken says whether firmware that checks numbers takes the line: the number
// expected, and a sum that fits.
func taken(line []byte, number int) bool {
	star := bytes.LastIndexByte(line, '*')
	if star < 0 || line[0] != 'N' {
		return false
	}
	digits := 1
	for digits < star && line[digits] >= '0' && line[digits] <= '9' {
		digits++
	}
	if n, err := strconv.Atoi(string(line[1:digits])); err != nil || n != number {
		return false
	}
	sum, err := strconv.Atoi(string(line[star+1:]))
	return err == nil && sum == int(xorOf(line[:star]))
}

// twoFlips is the share of pairs of flipped bits in a line, in different bytes,
// that are not noticed. Two in the command cancel out when they are the same bit
// of two bytes. One in the command and one in a digit of the sum do when the
// digit then says what the command has become. A flip in the number is noticed,
// and so is one alone.
func twoFlips(line []byte, number int) float64 {
	star := bytes.LastIndexByte(line, '*')
	command := star - len(strconv.Itoa(number)) - 1 // with the blank before it
	n := float64(len(line))
	all := n * (n - 1) / 2 * 64
	unseen := float64(command) * float64(command-1) / 2 * 8
	unseen -= float64(command - 1) // the blank becomes a digit of the number
	sum := int(xorOf(line[:star]))
	for bit := range 8 {
		if oneBit(strconv.Itoa(sum), strconv.Itoa(sum^1<<bit)) {
			unseen += float64(command)
			if ' '^1<<bit == '0' {
				unseen--
			}
		}
	}
	return unseen / all
}

// oneBit says whether two texts differ in one bit.
func oneBit(a, b string) bool {
	if len(a) != len(b) {
		return false
	}
	n := 0
	for i := range a {
		n += bits.OnesCount8(a[i] ^ b[i])
	}
	return n == 1
}

// counted damages so many lines and gives the share that is taken all the same.
func (c *rateCmd) counted(damage func(r *rand.Rand, line []byte)) float64 {
	r := rand.New(rand.NewPCG(c.Seed, 4))
	whole := checked(sampleNumber, samplePayload)
	line := make([]byte, len(whole))
	slipped := 0
	for range c.Lines {
		copy(line, whole)
		damage(r, line)
		if taken(line, sampleNumber) && !bytes.Equal(line, whole) {
			slipped++
		}
	}
	return float64(slipped) / float64(c.Lines)
}

func flipTwo(r *rand.Rand, line []byte) {
	i, j := r.IntN(len(line)), r.IntN(len(line)-1)
	if j >= i {
		j++
	}
	line[i] ^= 1 << r.IntN(8)
	line[j] ^= 1 << r.IntN(8)
}

// burst makes a run of the command's bytes anything.
func burst(length int) func(r *rand.Rand, line []byte) {
	return func(r *rand.Rand, line []byte) {
		from := len("N123456 ")
		at := from + r.IntN(len(samplePayload)-length+1)
		for i := range length {
			line[at+i] = byte(r.IntN(256))
		}
	}
}

func (c *rateCmd) write(out io.Writer) error {
	whole := checked(sampleNumber, samplePayload)
	pair := twoFlips(whole, sampleNumber)
	fmt.Fprintf(out, "The line %q, damaged on its way: how often it is taken all the same.\n", whole)
	tw := tabwriter.NewWriter(out, 0, 0, 2, ' ', tabwriter.AlignRight)
	fmt.Fprintln(tw, "damage\tcomputed\tcounted (simulated)\t")
	row := func(name string, computed float64, damage func(*rand.Rand, []byte)) {
		fmt.Fprintf(tw, "%s\t%s\t%s\t\n", name, oneIn(computed), oneIn(c.counted(damage)))
	}
	row("one bit", 0, func(r *rand.Rand, line []byte) { line[r.IntN(len(line))] ^= 1 << r.IntN(8) })
	row("two bits", pair, flipTwo)
	for _, n := range []int{2, 8, 20} {
		row(fmt.Sprintf("%d bytes of the command are anything", n), 1.0/256, burst(n))
	}
	if err := tw.Flush(); err != nil {
		return err
	}
	fmt.Fprintln(out, "\nSo where single bits flip at random, a damaged line is taken once in so many lines:")
	tw = tabwriter.NewWriter(out, 0, 0, 2, ' ', tabwriter.AlignRight)
	fmt.Fprintln(tw, "flipped bits per byte\tlines asked for again\tlines taken damaged\tat 100 lines/s, once in\t")
	n := float64(len(whole))
	for _, p := range []float64{1e-8, 1e-7, 1e-6, 1e-5, 1e-4} {
		share := n * (n - 1) / 2 * p * p * pair
		fmt.Fprintf(tw, "%.0e\t%s\t%s\t%s\t\n", p, oneIn(n*p), oneIn(share), span(1/share/100))
	}
	if err := tw.Flush(); err != nil {
		return err
	}
	_, err := fmt.Fprintln(out, "A line that is asked for again now and then is normal; one in a hundred is a bad cable. Positions asked for while printing find part of what a damaged move did; `soak wire` counts how much.")
	return err
}

func oneIn(share float64) string {
	if share == 0 {
		return "never"
	}
	return fmt.Sprintf("1 in %.4g", 1/share)
}

// span says seconds in a unit that a person can hold.
func span(s float64) string {
	switch {
	case s < 3600*48:
		return fmt.Sprintf("%.2g h", s/3600)
	case s < 86400*730:
		return fmt.Sprintf("%.3g days", s/86400)
	}
	return fmt.Sprintf("%.2g years", s/86400/365.25)
}

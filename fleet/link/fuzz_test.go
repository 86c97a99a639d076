package link

import (
	"bytes"
	"os"
	"path/filepath"
	"testing"
	"time"

	"pgregory.net/rapid"
)

// FuzzParseReply: no line from the wire breaks the parser, and its parts lie in
// the line. Seeded from the recordings.
func FuzzParseReply(f *testing.F) {
	names, _ := filepath.Glob(filepath.Join(recordings, "*.txt"))
	for _, n := range names {
		b, err := os.ReadFile(n)
		if err != nil {
			f.Fatal(err)
		}
		for _, l := range bytes.Split(b, []byte("\n")) {
			if bytes.HasPrefix(l, []byte("< ")) {
				f.Add(l[2:])
			}
		}
	}
	for _, s := range []string{"okok", "okResend: 12", "Resend: 12ok", "Resend:", "rs N4 Expected checksum 37", "ok N999999999999999999999 P-1", "Error:x Resend: 5", "ok T:", "T:20/30", "skip 4", "X:Y:Z:", "X:1 Y:2 Z:3 Count X:", "resend:9", "OK"} {
		f.Add([]byte(s))
	}
	f.Fuzz(func(t *testing.T, line []byte) {
		for depth := 0; len(line) > 0; depth++ {
			r := parseReply(line)
			if len(r.rest) >= len(line) {
				t.Fatalf("%q is left of %q", r.rest, line)
			}
			if r.n < -1 && r.kind == replyOK || r.free < -1 {
				t.Fatalf("%q: n %d free %d", line, r.n, r.free)
			}
			if r.temps {
				var h heaters
				h.read(r.body)
				for _, x := range h.list[:h.n] {
					if x.Name == "" || x.Duty > 1 {
						t.Fatalf("%q: %+v", line, x)
					}
				}
			}
			if r.pos {
				readPosition(r.body)
			}
			line = r.rest
		}
	})
}

// FuzzEngine: whatever a firmware says, the link does not break, does not spin,
// and what it has in flight stays within its bounds.
func FuzzEngine(f *testing.F) {
	f.Add([]byte("ok\nok\nResend: 12\nok\nok N14 P3 B2\nT:20 /0\nwait\nX:1 Y:1 Z:0 E:0\n"), false)
	f.Add([]byte("start\nok\nrs N12\nok 13\nskip 4\nok\nError:checksum mismatch, Last Line: 4\n"), true)
	f.Fuzz(func(t *testing.T, b []byte, careless bool) {
		b = b[:min(len(b), 2048)]
		now := epoch
		e := opened(now, !careless)
		e.stream(now, &repeat{max: 500, line: []byte("G1 X102.345 Y87.654 E0.04321")})
		written := 0
		for len(b) > 0 {
			n := min(len(b), 1+int(b[0])%24)
			e.Receive(now, b[:n])
			b = b[n:]
			now = now.Add(7 * time.Millisecond)
			if d := e.Deadline(); !d.IsZero() && d.Before(now) {
				e.Tick(now)
			}
			written += len(e.out)
			e.out = e.out[:0]
			if e.cursor-e.acked > manyLines+8 || e.acked > e.cursor || e.cursor > e.head || e.fed > e.acked || e.bound.done > e.accepted+1 && e.phase == Streaming {
				t.Fatalf("acked %d cursor %d head %d fed %d done %d accepted %d", e.acked, e.cursor, e.head, e.fed, e.bound.done, e.accepted)
			}
			if s := e.state(now); s.Done > s.Accepted || s.Accepted > s.Sent {
				t.Fatalf("Done %d Accepted %d Sent %d", s.Done, s.Accepted, s.Sent)
			}
		}
	})
}

// TestAnyFaultsAnyProgram draws programs and faults at random: the promises of
// the wire and of the height hold for all of them.
func TestAnyFaultsAnyProgram(t *testing.T) {
	rapid.Check(t, func(rt *rapid.T) {
		mo := modelOptions{
			advanced: rapid.Bool().Draw(rt, "advanced"), parser: rapid.Bool().Draw(rt, "parser"),
			careless: rapid.IntRange(0, 4).Draw(rt, "careless") == 0,
			slots:    rapid.IntRange(4, 15).Draw(rt, "slots"),
		}
		word := rapid.OneOf(
			rapid.Map(rapid.IntRange(-2000, 2000), func(v int) string { return "G1 X" + itoa(int64(v)) + " F6000" }),
			rapid.Map(rapid.IntRange(1, 99), func(v int) string { return "G1 X1 Y" + itoa(int64(v)) + " E0.5" }),
			rapid.Map(rapid.IntRange(0, 255), func(v int) string { return "M106 S" + itoa(int64(v)) }),
			rapid.Map(rapid.IntRange(1, 300), func(v int) string { return "G4 P" + itoa(int64(v)) }),
			rapid.SampledFrom([]string{"G91", "G90", "M82", "M83", "G92 E0", "G28", "M107", "M117 lantern", "G1 F1200", "M104 S0"}),
		)
		lines := append([]string{"G28"}, rapid.SliceOfN(word, 1, 120).Draw(rt, "lines")...)
		rate := rapid.SampledFrom([]float64{0, 0, 1e-4, 1e-3})
		o := Options{WindowBytes: rapid.SampledFrom([]int{0, 1, 60, 120}).Draw(rt, "window"), AuditEvery: rapid.SampledFrom([]time.Duration{-1, time.Second}).Draw(rt, "audit")}
		r := newRig(o, mo, rapid.Uint64().Draw(rt, "seed"))
		if !r.open() {
			rt.Fatalf("did not open: %+v", r.e.fault)
		}
		r.fault = faults{flip: rate.Draw(rt, "flip"), drop: rate.Draw(rt, "drop"), replyFlip: rate.Draw(rt, "reply flip"),
			replyDrop: rate.Draw(rt, "reply drop"), loseOK: 10 * rate.Draw(rt, "lose ok"), doubleOK: 10 * rate.Draw(rt, "double ok"), loseLine: 5 * rate.Draw(rt, "lose line")}
		if why := promise(r, lines); why != "" {
			rt.Fatal(why)
		}
	})
}

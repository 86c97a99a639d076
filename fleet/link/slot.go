package link

import (
	"strconv"
	"time"
)

const (
	maxLine    = 95 // characters that the common family keeps of a line
	maxPayload = 92 // what can be kept of one command
	ringSize   = 128
)

// slotKind says whom a sent line belongs to.
type slotKind uint8

const (
	slotSource   slotKind = iota
	slotIdentify          // M115
	slotSettings          // M503
	slotReport            // M155
	slotLimits            // M211
	slotPoll              // M105
	slotMark              // M105 that tells what was handled before it
	slotPosition          // M114, compared with what was sent
	slotFence             // a query that shows whether the oks before it were too many
	slotSync              // M400 or G4 at the end of a stream
	slotFinal             // M114 behind it
	slotDo                // a command of the user of the link
)

// slot is one numbered line, kept until it can no longer be asked for.
type slot struct {
	seq     int64
	kind    slotKind
	idx     int64 // source commands up to and including this one
	line    int64 // file line
	n       int   // bytes of text
	text    [maxPayload]byte
	info    lineInfo
	wire    int // bytes as last written, line end included
	sentAt  time.Time
	times   int // how often it was written
	before  [4]float64
	after   [4]float64
	beforeK [4]bool
	afterK  [4]bool
	gen     [4]uint32 // of the tracker behind this line
	refused bool      // the firmware said that it does not know it
	answer  bool      // the report that it asks for has come
	do      *doRequest
}

func (s *slot) payload() []byte { return s.text[:s.n] }

// appendLine formats one numbered line with its checksum: the exclusive or of
// every byte before the '*' (RepRap G-code page; checked against its examples).
func appendLine(dst []byte, number int64, payload []byte) []byte {
	start := len(dst)
	dst = append(dst, 'N')
	dst = strconv.AppendInt(dst, number, 10)
	dst = append(dst, ' ')
	dst = append(dst, payload...)
	var sum byte
	for _, c := range dst[start:] {
		sum ^= c
	}
	dst = append(dst, '*')
	dst = strconv.AppendUint(dst, uint64(sum), 10)
	return append(dst, '\n')
}

// wireLength is how long the line will be with any checksum, line end apart.
func wireLength(number int64, payload int) int {
	digits := 1
	for n := number; n >= 10; n /= 10 {
		digits++
	}
	return 1 + digits + 1 + payload + 4
}

package link

// How much of what the firmware took may still be ahead of the nozzle. The
// buffers are those of every family whose source was read: 16 planner slots,
// 4 queued lines, 128 receive bytes.
const (
	plannerBlocks = 16
	queuedLines   = 4
	receiveBytes  = 128
)

// bound keeps the lower bound for what is certainly executed.
//
//	accepted:   … b(m-16) | b(m-15) … b(m)      b: a command that fills a planner slot
//	             executed | may be in the planner
//
// When m such commands were handled, the planner holds at most the newest 16:
// every command before b(m-15) is executed. Commands that may or may not fill
// a slot are not counted, which only lowers the bound.
type bound struct {
	blocks [64]int64 // source index of the newest slots filled, a ring
	n      int64     // slots filled since the planner was last known to be empty
	done   int64
}

// take follows one handled command. idx is the number of source commands up to
// and including it; for a command of the link's own, up to it. free is the
// number of planner slots that the firmware said are free, -1 when unknown;
// slots is how many it has.
func (b *bound) take(idx int64, own bool, info *lineInfo, free, slots int) {
	if info.block {
		at := idx
		if own {
			at = idx + 1
		}
		b.blocks[b.n%int64(len(b.blocks))] = at
		b.n++
	}
	if info.sync {
		b.n = 0
		b.raise(idx)
		return
	}
	depth := int64(plannerBlocks)
	if free >= 0 {
		depth = min(depth, int64(max(slots-free, 0)))
		if info.block {
			depth = max(depth, 1) // it has only just been put in
		}
	}
	switch {
	case depth == 0:
		b.raise(idx)
	case b.n >= depth:
		b.raise(b.blocks[(b.n-depth)%int64(len(b.blocks))] - 1)
	}
}

func (b *bound) raise(idx int64) { b.done = max(b.done, idx) }

package plan

import "math/bits"

// openSlots is a set of slots, one bit each: those that have room. It lets a start
// step over a full evening at 64 slots a look.
type openSlots []uint64

// newOpenSlots has room for so many slots. All that lie beyond are open.
func newOpenSlots(slots int32) openSlots {
	o := make(openSlots, slots>>6+3)
	for k := range o {
		o[k] = ^uint64(0)
	}
	return o
}

func (o openSlots) set(slot int32, open bool) {
	bit := uint64(1) << (slot & 63)
	if open {
		o[slot>>6] |= bit
	} else {
		o[slot>>6] &^= bit
	}
}

// longestRun is the most slots in a row that nextRun finds.
const longestRun = 48

// nextRun is the first slot at or after slot from which n in a row are open; n is at
// most longestRun.
func (o openSlots) nextRun(slot, n int32) int32 {
	for int(slot>>6)+1 < len(o) {
		at := slot & 63
		x := o[slot>>6]>>at | o[slot>>6+1]<<(64-at)
		for have := int32(1); have < n; {
			step := min(have, n-have)
			x &= x >> step
			have += step
		}
		if x != 0 {
			return slot + int32(bits.TrailingZeros64(x))
		}
		slot += 65 - n
	}
	return never
}

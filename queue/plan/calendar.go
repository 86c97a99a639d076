package plan

import "slices"

// never is a start that cannot be: after the last attended minute. It is far
// above any minute of a plan and leaves room to add to it.
const never = int32(1) << 29

// maxMinute bounds every time that is given: some nineteen years.
const maxMinute = 10_000_000

// Window is a span of minutes from t = 0, its end not in it.
type Window [2]int

// startSpans are the spans of minutes at which hands can begin: in the window,
// and done with hands minutes before it ends. Windows are not joined where they
// touch: the hands must end in the window in which they began. The result is
// sorted and disjoint.
func startSpans(windows []Window, hands int) []Window {
	var spans []Window
	for _, w := range windows {
		end := w[1] - hands + 1 // the last start is at w[1]-hands …
		end = min(end, w[1])    // … and in the window even for no hands at all
		if start := max(w[0], 0); start < end {
			spans = append(spans, Window{start, end})
		}
	}
	return union(spans)
}

// widest are the minutes at which hands could begin by the widest reading of one
// person's windows: those that touch or overlap are one stay, and a window's end is
// still in it. Plans never use what this adds to startSpans; the bound allows it, so
// that it holds for whoever reads the hours that way.
func widest(windows []Window, hands int) []Window {
	var spans []Window
	for _, w := range union(slices.Clone(windows)) {
		if start, end := max(w[0], 0), w[1]-hands+1; start < end {
			spans = append(spans, Window{start, end})
		}
	}
	return spans
}

// union sorts spans and joins those that touch or overlap.
func union(spans []Window) []Window {
	slices.SortFunc(spans, func(a, b Window) int { return a[0] - b[0] })
	out := spans[:0]
	for _, s := range spans {
		if k := len(out) - 1; k >= 0 && s[0] <= out[k][1] {
			out[k][1] = max(out[k][1], s[1])
			continue
		}
		out = append(out, s)
	}
	return out
}

// tableOf gives for every minute the first start at or after it; never where no
// span follows. Beyond its end no start is possible. A nil list of spans with
// always set is a printer whose plate clears itself: every minute will do.
func tableOf(spans []Window, always bool, horizon int32) []int32 {
	t := make([]int32, horizon)
	if always {
		for k := range t {
			t[k] = int32(k)
		}
		return t
	}
	next, k := never, len(spans)-1
	for i := horizon - 1; i >= 0; i-- {
		for k >= 0 && int(i) < spans[k][0] {
			k--
		}
		if k >= 0 && int(i) < spans[k][1] {
			next = i
		} else if int(i)+1 < int(horizon) {
			next = t[i+1]
		} else if k+1 < len(spans) {
			next = int32(spans[k+1][0])
		}
		t[i] = next
	}
	return t
}

// nextIn is the table's answer without a table.
func nextIn(spans []Window, always bool, t int32) int32 {
	if always {
		return t
	}
	k, _ := slices.BinarySearchFunc(spans, int(t), func(w Window, t int) int {
		if w[1] <= t {
			return -1
		}
		return 1
	})
	if k == len(spans) {
		return never
	}
	return max(t, int32(spans[k][0]))
}

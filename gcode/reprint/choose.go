package reprint

import "fmt"

// The ways on from a mishap.
const (
	Whole     = "whole"
	Remainder = "remainder"
	InPlace   = "in-place"
	OtherWay  = "other-way"
)

// Way is one way on: what it costs and how likely it goes wrong again.
type Way struct {
	Kind     string  `json:"kind"`
	Possible bool    `json:"possible"`
	Hours    float64 `json:"hours"` // of machine time
	Grams    float64 `json:"grams"`
	Money    float64 `json:"money"`         // 0 where no price is known
	HandsMin float64 `json:"hands_minutes"` // cleaning, gluing, sanding, standing by
	Risk     float64 `json:"risk"`          // the chance, 0 to 1, that it must be done again
	Text     string  `json:"text"`
}

// Rates turn grams and hours into money; 0 where not known.
type Rates struct {
	PerKg        float64 // of filament
	PerHour      float64 // of machine time: power and wear
	PerHandsHour float64
}

// Case is what a choice is made from.
type Case struct {
	WholeS, WholeG         float64
	RemainderS, RemainderG float64 // 0 when none can be made
	NoRemainder            string  // why not
	GoodMM, HeightMM       float64
	Remarks                int    // warnings of the seam
	NoInPlace              string // why it cannot go on in place; empty: it can
	OtherS, OtherG         float64
	Rates                  Rates
}

// Common practice, no source; the owner's own figures replace them once there are
// enough of them.
const (
	plateMin, glueMin, sandMin, checksMin = 5, 15, 10, 20
	wholeRisk, remainderRisk, remarkRisk  = 0.06, 0.10, 0.03
	inPlaceRisk                           = 0.35
	// Below these, joining is not worth it.
	leastGoodMM     = 5
	leastSavedShare = 0.25
	leastSavedS     = 45 * 60
)

// Choose lists the ways and names the one to take, with its reason. What is
// compared is the hours until a good piece is there: machine time, hands counted
// twice, and the chance that the whole is wanted after all.
func Choose(c Case) (ways []Way, take string, why string) {
	add := func(w Way) {
		w.Money = w.Grams/1000*c.Rates.PerKg + w.Hours*c.Rates.PerHour + w.HandsMin/60*c.Rates.PerHandsHour
		ways = append(ways, w)
	}
	whole := Way{Kind: Whole, Possible: true, Hours: c.WholeS / 3600, Grams: c.WholeG, HandsMin: plateMin, Risk: wholeRisk, Text: "print it again, whole: no seam"}
	add(whole)
	rem := Way{Kind: Remainder, Possible: c.NoRemainder == "", Text: c.NoRemainder}
	if rem.Possible {
		rem.Hours, rem.Grams, rem.HandsMin = c.RemainderS/3600, c.RemainderG, plateMin+glueMin+sandMin
		rem.Risk = min(0.6, remainderRisk+remarkRisk*float64(c.Remarks))
		rem.Text = "print what is missing and join it: one seam to glue and sand"
	}
	add(rem)
	place := Way{Kind: InPlace, Possible: c.NoInPlace == "", Text: c.NoInPlace}
	if place.Possible {
		place.Hours, place.Grams, place.HandsMin, place.Risk = c.RemainderS/3600, c.RemainderG, checksMin, inPlaceRisk
		place.Text = "go on where it stands: no seam when nothing has moved; a weak and visible line where the piece cooled"
	}
	add(place)
	if c.OtherS > 0 {
		add(Way{Kind: OtherWay, Possible: true, Hours: c.OtherS / 3600, Grams: c.OtherG, HandsMin: plateMin, Risk: wholeRisk, Text: "make the part the other way that is known for it"})
	}
	saved := c.WholeS - c.RemainderS
	share := 0.0
	if c.WholeS > 0 {
		share = saved / c.WholeS
	}
	switch {
	case !rem.Possible && !place.Possible:
		return ways, Whole, "print it again, whole: nothing else can be done"
	case c.GoodMM < leastGoodMM:
		return ways, Whole, fmt.Sprintf("print it again, whole: %.1f mm are good, too little to join anything to", c.GoodMM)
	case share < leastSavedShare || saved < leastSavedS:
		return ways, Whole, fmt.Sprintf("print it again, whole: what is good saves %.0f min (%.0f %%), not worth a seam", max(0, saved)/60, 100*max(0, share))
	}
	cost := func(w Way) float64 { return w.Hours + 2*w.HandsMin/60 + w.Risk*c.WholeS/3600 }
	best := whole
	for _, w := range ways {
		if w.Possible && cost(w) < cost(best) {
			best = w
		}
	}
	switch best.Kind {
	case Whole:
		return ways, Whole, "print it again, whole: hands and risk eat up what a remainder would save"
	case OtherWay:
		return ways, OtherWay, "make it the other way: it takes least, hands and risk counted"
	}
	return ways, best.Kind, fmt.Sprintf("%s: it saves %.1f h of %.1f h and %.0f g, with %.0f min of your hands",
		best.Text, saved/3600, c.WholeS/3600, c.WholeG-c.RemainderG, best.HandsMin)
}

package config

import (
	"math"

	"undercroft/gcode/motion"
)

// Used where the file is silent: common practice, no source.
const defaultMinSegmentMS = 20

var defaultStepsPerMM = [4]float64{80, 80, 400, 95}

// LoadLimits reads a file that holds nothing but motion limits, with the keys of
// [printer.limits].
func LoadLimits(path string) (motion.Limits, error) {
	data, err := readBounded(path)
	if err != nil {
		return motion.Limits{}, err
	}
	r, root, err := read(path, data)
	if err != nil {
		return motion.Limits{}, err
	}
	l := r.limits(root)
	if err := r.invalid(); err != nil {
		return motion.Limits{}, err
	}
	return *l, nil
}

func (r *reader) limits(t *table) *motion.Limits {
	l := &motion.Limits{StepsPerMM: defaultStepsPerMM, MinSegmentMS: defaultMinSegmentMS}
	above := span{most: math.Inf(1), open: true}
	four := func(v *value, key string, u unit, s span, to *[4]float64) {
		if list, ok := r.numbers(v, key, 4, "x, y, z, e", u, s); ok {
			*to = [4]float64(list)
		}
	}
	four(t.need("max_feed_mm_s", "the greatest speed of each axis"), "max_feed_mm_s", perSecond, above, &l.MaxFeedMMs)
	four(t.need("max_accel_mm_s2", "the greatest acceleration of each axis"), "max_accel_mm_s2", perSecond2, above, &l.MaxAccelMMs2)
	l.AccelPrintMMs2, _ = r.number(t.need("accel_print_mm_s2", "the acceleration of printing moves"), "accel_print_mm_s2", perSecond2, above)
	l.AccelRetractMMs2, l.AccelTravelMMs2 = l.AccelPrintMMs2, l.AccelPrintMMs2
	if v := t.ask("accel_retract_mm_s2"); v != nil {
		l.AccelRetractMMs2, _ = r.number(v, "accel_retract_mm_s2", perSecond2, above)
	}
	if v := t.ask("accel_travel_mm_s2"); v != nil {
		l.AccelTravelMMs2, _ = r.number(v, "accel_travel_mm_s2", perSecond2, above)
	}
	deviation, jerk := t.ask("junction_deviation_mm"), t.ask("jerk_mm_s")
	switch {
	case deviation != nil && jerk != nil:
		r.problem(jerk.at, jerk.length, "junction_deviation_mm and jerk_mm_s are both given; a firmware has one of them")
	case deviation == nil && jerk == nil:
		if t.misspelt("junction_deviation_mm") == nil && t.misspelt("jerk_mm_s") == nil {
			r.problem(t.at, t.end-t.at, "%s has neither junction_deviation_mm nor jerk_mm_s: one of them says how fast corners are taken", t.name)
		}
	case deviation != nil:
		l.JunctionDeviationMM, _ = r.number(deviation, "junction_deviation_mm", millimetres, span{most: 1, open: true})
	default:
		four(jerk, "jerk_mm_s", perSecond, span{most: math.Inf(1)}, &l.JerkMMs)
	}
	four(t.ask("steps_per_mm"), "steps_per_mm", perMM, above, &l.StepsPerMM)
	if v := t.ask("min_segment_ms"); v != nil {
		l.MinSegmentMS, _ = r.number(v, "min_segment_ms", millisecond, span{most: 1000})
	}
	t.done()
	return l
}

package queue

import (
	"errors"
	"strings"
	"testing"
	"time"

	_ "time/tzdata" // summer time without the machine's own tables

	"pgregory.net/rapid"
)

func TestScheduleSyntax(t *testing.T) {
	const eg = "; write for example 'Mo-Fr 17:00-23:00, Sa Su 08:00-23:00', 'daily 23:00-07:00' or 'none'"
	for _, c := range []struct{ text, err string }{
		{"none", ""},
		{" NONE ", ""},
		{"daily 23:00-07:00", ""},
		{"Mo-Fr 17:00-23:00, Sa-Su 08:00-23:00", ""},
		{"mo we fr 9:00-12:30", ""},
		{"Fr-Mo 00:00-24:00", ""},
		{"", "hours are empty" + eg},
		{"Mo-Fr", "'Mo-Fr' in the hours: no time such as 17:00-23:00 at the end" + eg},
		{"17:00-23:00", "'17:00-23:00' in the hours: no day before 17:00-23:00" + eg},
		{"Mon 17:00-23:00", "'Mon 17:00-23:00' in the hours: 'Mon' is not a day; the days are Mo Tu We Th Fr Sa Su" + eg},
		{"Mo 17-23", "'Mo 17-23' in the hours: no time such as 17:00-23:00 at the end" + eg},
		{"Mo 25:00-26:00", "'Mo 25:00-26:00' in the hours: '25:00' is not a time of day between 00:00 and 24:00" + eg},
		{"Mo 17:5-18:00", "'Mo 17:5-18:00' in the hours: '17:5' is not a time of day between 00:00 and 24:00" + eg},
		{"Mo 17:00-24:01", "'Mo 17:00-24:01' in the hours: '24:01' is not a time of day between 00:00 and 24:00" + eg},
		{"Mo 24:00-07:00", "'Mo 24:00-07:00' in the hours: 24:00 can end a span, not start one" + eg},
		{"Mo 17:00-17:00", "'Mo 17:00-17:00' in the hours: starts and ends at 17:00; the whole day is 00:00-24:00" + eg},
		{"Mo 17:00-23:00,", "'' in the hours: nothing stands between two commas" + eg},
		{"Mo -5:00-23:00", "'Mo -5:00-23:00' in the hours: '' is not a time of day between 00:00 and 24:00" + eg},
		{strings.Repeat("daily 01:00-02:00,", 40), "hours of more than 500 characters"},
	} {
		s, err := ParseSchedule(c.text)
		switch {
		case c.err == "" && err != nil:
			t.Errorf("%q: %v", c.text, err)
		case c.err == "":
			if again, err := ParseSchedule(s.String()); err != nil || again.String() != s.String() {
				t.Errorf("%q does not survive its own text: %q", c.text, s.String())
			}
		case err == nil || !errors.Is(err, ErrInvalid) || strings.TrimSuffix(err.Error(), ": not valid") != c.err:
			t.Errorf("%q:\n got %v\nwant %s", c.text, err, c.err)
		}
	}
}

func zone(t testing.TB, name string) *time.Location {
	t.Helper()
	z, err := time.LoadLocation(name)
	if err != nil {
		t.Fatal(err)
	}
	return z
}

func schedule(t testing.TB, text string) Schedule {
	t.Helper()
	s, err := ParseSchedule(text)
	if err != nil {
		t.Fatal(err)
	}
	return s
}

// Central European summer time begins on the last Sunday of March at 01:00 UTC
// and ends on the last Sunday of October at 01:00 UTC (Directive 2000/84/EC,
// articles 2 and 3): in 2026 on 29 March and 25 October.
func TestScheduleContains(t *testing.T) {
	berlin := zone(t, "Europe/Berlin")
	at := func(s string) time.Time {
		v, err := time.ParseInLocation("2006-01-02 15:04", s, berlin)
		if err != nil {
			t.Fatal(err)
		}
		return v
	}
	for _, c := range []struct {
		hours string
		at    time.Time
		want  bool
	}{
		{"none", at("2026-11-24 12:00"), false},
		{"Mo-Fr 17:00-23:00", at("2026-11-24 17:00"), true}, // a Tuesday
		{"Mo-Fr 17:00-23:00", at("2026-11-24 16:59"), false},
		{"Mo-Fr 17:00-23:00", at("2026-11-24 23:00"), false},
		{"Mo-Fr 17:00-23:00", at("2026-11-28 18:00"), false}, // a Saturday
		{"daily 23:00-07:00", at("2026-11-24 23:00"), true},
		{"daily 23:00-07:00", at("2026-11-25 06:59"), true},
		{"daily 23:00-07:00", at("2026-11-25 07:00"), false},
		{"Sa 23:00-07:00", at("2026-11-29 06:00"), true}, // Sunday morning belongs to Saturday's span
		{"Sa 23:00-07:00", at("2026-11-28 06:00"), false},
		{"Su 23:00-07:00", at("2026-11-30 06:00"), true}, // over the week's end
		{"Fr-Mo 10:00-11:00", at("2026-11-29 10:30"), true},
		{"Fr-Mo 10:00-11:00", at("2026-11-25 10:30"), false},
		{"Sa 00:00-24:00", at("2026-11-28 23:59"), true},
		{"Sa 00:00-24:00", at("2026-11-29 00:00"), false},
		// 02:30 comes twice on 25 October: in summer time at 00:30 UTC and again at 01:30 UTC.
		{"daily 02:00-03:00", time.Date(2026, 10, 25, 0, 30, 0, 0, time.UTC), true},
		{"daily 02:00-03:00", time.Date(2026, 10, 25, 1, 30, 0, 0, time.UTC), true},
		{"daily 02:00-03:00", time.Date(2026, 10, 25, 2, 0, 0, 0, time.UTC), false},
		// On 29 March the clock jumps from 02:00 to 03:00.
		{"daily 01:30-03:30", time.Date(2026, 3, 29, 1, 15, 0, 0, time.UTC), true}, // 03:15
		{"daily 02:00-03:00", time.Date(2026, 3, 29, 1, 0, 0, 0, time.UTC), false}, // 03:00, the span did not occur
	} {
		if got := schedule(t, c.hours).Contains(c.at.In(berlin)); got != c.want {
			t.Errorf("%q at %s: %v", c.hours, c.at.In(berlin), got)
		}
	}
}

func TestScheduleNextChange(t *testing.T) {
	berlin := zone(t, "Europe/Berlin")
	utc := func(y int, m time.Month, d, h, mi int) time.Time { return time.Date(y, m, d, h, mi, 0, 0, time.UTC) }
	for _, c := range []struct {
		hours      string
		from, want time.Time
	}{
		{"none", utc(2026, 11, 24, 12, 0), time.Time{}},
		{"daily 00:00-24:00", utc(2026, 11, 24, 12, 0), time.Time{}},
		{"daily 23:00-07:00", utc(2026, 11, 24, 12, 0), utc(2026, 11, 24, 22, 0)},
		{"daily 23:00-07:00", utc(2026, 11, 24, 22, 0), utc(2026, 11, 25, 6, 0)},
		{"Tu 08:00-09:00", utc(2026, 11, 24, 8, 30), utc(2026, 12, 1, 7, 0)}, // a week ahead
		{"daily 08:00-12:00, daily 12:00-13:00", utc(2026, 11, 24, 8, 0), utc(2026, 11, 24, 12, 0)},
		// The night into winter time is an hour longer, the one into summer time shorter.
		{"daily 23:00-07:00", utc(2026, 10, 24, 21, 0), utc(2026, 10, 25, 6, 0)},
		{"daily 23:00-07:00", utc(2026, 3, 28, 22, 0), utc(2026, 3, 29, 5, 0)},
		// 02:00-03:00 holds from 00:00 to 02:00 UTC when the hour comes twice,
		{"daily 02:00-03:00", utc(2026, 10, 24, 23, 0), utc(2026, 10, 25, 0, 0)},
		{"daily 02:00-03:00", utc(2026, 10, 25, 0, 0), utc(2026, 10, 25, 2, 0)},
		// a span that ends in the middle of it holds in both halves,
		{"daily 01:00-02:30", utc(2026, 10, 24, 23, 30), utc(2026, 10, 25, 0, 30)},
		{"daily 01:00-02:30", utc(2026, 10, 25, 0, 30), utc(2026, 10, 25, 1, 0)},
		{"daily 01:00-02:30", utc(2026, 10, 25, 1, 0), utc(2026, 10, 25, 1, 30)},
		// and one in the hour that is left out does not come.
		{"daily 02:00-03:00", utc(2026, 3, 28, 12, 0), utc(2026, 3, 30, 0, 0)},
	} {
		if got := schedule(t, c.hours).NextChange(c.from.In(berlin)); !got.Equal(c.want) {
			t.Errorf("%q after %s: %s, want %s", c.hours, c.from, got.UTC(), c.want)
		}
	}
}

// NextChange against a minute by minute walk, in zones with changes of an hour,
// of half an hour, of none, and with odd offsets.
func TestScheduleNextChangeAgainstTheClock(t *testing.T) {
	zones := []*time.Location{zone(t, "Europe/Berlin"), zone(t, "America/St_Johns"), zone(t, "Australia/Lord_Howe"), zone(t, "Asia/Kathmandu"), time.UTC}
	days := rapid.SampledFrom([]string{"daily", "Mo", "Sa Su", "Fr-Mo", "We"})
	rapid.Check(t, func(t *rapid.T) {
		text := ""
		for i := range rapid.IntRange(1, 3).Draw(t, "spans") {
			if i > 0 {
				text += ", "
			}
			from := rapid.IntRange(0, 95).Draw(t, "from") * 15
			to := (from + rapid.IntRange(1, 95).Draw(t, "length")*15) % 1440
			clock := func(m int) string {
				return time.Date(2000, 1, 1, 0, m, 0, 0, time.UTC).Format("15:04")
			}
			text += days.Draw(t, "days") + " " + clock(from) + "-" + clock(to)
		}
		s, err := ParseSchedule(text)
		if err != nil {
			t.Fatal(err)
		}
		z := rapid.SampledFrom(zones).Draw(t, "zone")
		start := rapid.SampledFrom([]time.Time{
			time.Date(2026, 3, 28, 0, 0, 0, 0, time.UTC), time.Date(2026, 10, 24, 0, 0, 0, 0, time.UTC), time.Date(2026, 4, 4, 0, 0, 0, 0, time.UTC),
			time.Date(2026, 10, 3, 0, 0, 0, 0, time.UTC), time.Date(2026, 10, 31, 0, 0, 0, 0, time.UTC), time.Date(2026, 3, 7, 0, 0, 0, 0, time.UTC),
		}).Draw(t, "start").Add(time.Duration(rapid.IntRange(0, 1440).Draw(t, "minute")) * time.Minute).In(z)
		got, now := s.NextChange(start), s.Contains(start)
		for m := 1; m <= 3*1440; m++ {
			at := start.Add(time.Duration(m) * time.Minute)
			if s.Contains(at) != now {
				if !got.Equal(at) {
					t.Fatalf("%q in %s after %s: NextChange %s, the clock %s", text, z, start, got, at)
				}
				return
			}
		}
		if !got.IsZero() && got.Before(start.Add(3*24*time.Hour)) {
			t.Fatalf("%q in %s after %s: NextChange %s, the clock shows none in three days", text, z, start, got)
		}
	})
}

package main

import (
	"flag"
	"strconv"
	"testing"
	"testing/synctest"
)

// inTests runs f with a test's handle, which the bubbles need. Time in a bubble
// is a clock of its own that jumps to the next event as soon as nobody in it has
// anything to do, so that an hour of waiting costs nothing; the standard library
// offers that to tests only. parallel is how many bubbles may run at once.
func inTests(parallel int, f func(t *testing.T)) {
	testing.Init()
	if err := flag.Set("test.parallel", strconv.Itoa(parallel)); err != nil {
		panic(err) // the flag is the standard library's
	}
	if err := flag.CommandLine.Parse(nil); err != nil {
		panic(err)
	}
	done := make(chan struct{})
	body := func(t *testing.T) {
		f(t)
		close(done)
		select {} // or the library would end the program, with words of its own
	}
	all := func(string, string) (bool, error) { return true, nil }
	go testing.Main(all, []testing.InternalTest{{Name: "soak", F: body}}, nil, nil)
	<-done
}

// inBubble runs f with a clock of its own.
func inBubble(t *testing.T, f func()) {
	synctest.Test(t, func(*testing.T) { f() })
}

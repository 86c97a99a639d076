package main

import (
	"fmt"
	"math/rand/v2"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"sync"
	"time"
)

// killCmd is the crash campaign: a daemon with virtual printers, each a process
// of its own, is killed at seeded random instants, and after each restart the
// ledger is held against what the printers' traces say.
type killCmd struct {
	Times    int     `help:"How often the daemon is killed." default:"500" placeholder:"N"`
	Seed     uint64  `help:"Seed of the instants, the files and the person." default:"1" placeholder:"N"`
	Printers int     `help:"Virtual printers of a house." default:"8" placeholder:"N"`
	Houses   int     `help:"Houses side by side, which share the kills: most of a life is waiting for boards to answer." default:"3" placeholder:"N"`
	Pace     float64 `help:"House seconds per real second." default:"1000" placeholder:"K"`
	Program  string  `help:"The undercroft to kill; left out: built from this tree." placeholder:"FILE"`
	Dir      string  `help:"Where it works; left out: a folder that is removed when all is well." placeholder:"DIR"`
}

// Run plays the campaign and fails at the first violation.
func (c *killCmd) Run() error {
	dir := c.Dir
	if dir == "" {
		made, err := os.MkdirTemp("", "soak-kill-")
		if err != nil {
			return err
		}
		dir = made
	}
	program := c.Program
	if program == "" {
		program = filepath.Join(dir, "undercroft")
		build := exec.Command("go", "build", "-o", program, "undercroft/cmd/undercroft")
		if text, err := build.CombinedOutput(); err != nil {
			return fmt.Errorf("building the program: %w\n%s", err, text)
		}
	}
	began := time.Now()
	err := c.houses(dir, program, began)
	if err != nil {
		return fmt.Errorf("%w\nreplay (instants are real time, so another run may differ): go run ./cmd/soak kill --seed %d --times %d\neverything lies in %s", err, c.Seed, c.Times, dir)
	}
	if c.Dir == "" {
		return os.RemoveAll(dir)
	}
	return nil
}

// houses plays all houses and sums them up.
func (c *killCmd) houses(dir, program string, began time.Time) error {
	all := make([]*killing, max(1, min(c.Houses, c.Times)))
	errs := make([]error, len(all))
	var wg sync.WaitGroup
	for i := range all {
		seed := c.Seed*1000 + uint64(i)
		k := &killing{cmd: c, seed: seed, dir: filepath.Join(dir, fmt.Sprintf("house%d", i+1)), program: program,
			times: c.Times*(i+1)/len(all) - c.Times*i/len(all), dice: rand.New(rand.NewPCG(seed, 0)), report: os.Stdout}
		if err := os.MkdirAll(k.dir, 0o750); err != nil {
			return err
		}
		all[i] = k
		wg.Go(func() { errs[i] = k.run() })
	}
	wg.Wait()
	sum := killing{cmd: c}
	for i, k := range all {
		if errs[i] != nil {
			return fmt.Errorf("house %d: %w", i+1, errs[i])
		}
		sum.ups += k.ups
		sum.judged.add(k.judged)
	}
	fmt.Printf("killed %d times in %v (simulated, seed %d, %d houses of %d printers): nothing lost, nothing started twice, ledger as the traces, check clean.\n%s\n",
		c.Times, time.Since(began).Round(time.Second), c.Seed, len(all), c.Printers, sum.sums())
	return nil
}

// lifetime draws how long a daemon lives, real time: a third of them die while
// they come up and their boards are being asked, the rest while things are
// printed. Boards take some two seconds to answer.
func (k *killing) lifetime() time.Duration {
	const up = 1600 * time.Millisecond
	if k.dice.IntN(3) == 0 {
		return time.Duration(k.dice.Float64() * float64(up))
	}
	return up + time.Duration(k.dice.Float64()*float64(2900*time.Millisecond))
}

// run is one campaign.
func (k *killing) run() (err error) {
	defer func() { err = joined(err, k.end()) }()
	if err := k.begin(); err != nil {
		return err
	}
	for n := 1; n <= k.times; n++ {
		life := k.lifetime()
		if err := k.live(n, life); err != nil {
			return fmt.Errorf("kill %d of %d, after %v: %w", n, k.times, life.Round(time.Millisecond), err)
		}
	}
	// The last daemon stays up: all is judged once more, and it ends in order.
	if err := k.serve(); err != nil {
		return err
	}
	if err := k.judge(); err != nil {
		return err
	}
	return k.stop()
}

// live starts a daemon, lets a person work with it, judges what the last death
// left, and kills it when its time is up.
func (k *killing) live(n int, life time.Duration) error {
	born := time.Now()
	if err := k.start(); err != nil {
		return err
	}
	up := k.await(born.Add(life))
	var verdict error
	if up {
		k.ups++
		quit, gone := make(chan struct{}), make(chan struct{})
		go func() { defer close(gone); k.person(n, quit) }()
		judged := make(chan error, 1)
		go func() { judged <- k.judge() }()
		time.Sleep(time.Until(born.Add(life)))
		k.kill()
		close(quit)
		<-gone
		verdict = <-judged
	} else {
		k.kill()
	}
	if verdict != nil {
		return verdict
	}
	return k.alive()
}

// sums says what has happened so far.
func (k *killing) sums() string {
	var b strings.Builder
	j := &k.judged
	fmt.Fprintf(&b, "up for the person %d times; %d runs judged (%d finished, %d interrupted, %d ended otherwise, %d never reached the printer), %d pieces good, %.1f g, %.1f h; farthest apart: layers recorded behind executed %d, run times %.0f ms of real time",
		k.ups, j.runs, j.finished, j.interrupted, j.other, j.unsent, j.pieces, j.grams, j.hours, j.behind, j.apartS/k.cmd.Pace*1000)
	return b.String()
}

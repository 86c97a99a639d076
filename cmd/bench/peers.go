package main

import (
	"bufio"
	"fmt"
	"io"
	"os"
	"os/exec"
	"path/filepath"
	"strconv"

	"undercroft/fleet/sim"
)

// peersCmd plays virtual printers until its input ends. They have a process of
// their own, so that their share of the processors is not taken for the link's.
type peersCmd struct {
	Dir   string  `required:"" help:"Where the pseudo-terminals are linked, as 0, 1, 2 …"`
	Count int     `default:"1"`
	Baud  int     `help:"Rate at which bytes are timed; 0: not at all."`
	Pace  float64 `default:"1"`
	All   bool    `help:"Firmware with all options, the emergency parser among them."`
}

func (c *peersCmd) Run() error {
	for i := range c.Count {
		p, err := sim.New(sim.Options{Path: filepath.Join(c.Dir, strconv.Itoa(i)), Baud: c.Baud, Pace: c.Pace, AllOptions: c.All})
		if err != nil {
			return err
		}
		defer p.Close()
	}
	fmt.Println("ready")
	_, err := io.Copy(io.Discard, os.Stdin)
	return err
}

// peers is the process with the virtual printers.
type peers struct {
	cmd *exec.Cmd
	in  io.Closer
	dir string
}

func startPeers(c peersCmd) (*peers, error) {
	self, err := os.Executable()
	if err != nil {
		return nil, err
	}
	dir, err := os.MkdirTemp("", "bench-")
	if err != nil {
		return nil, err
	}
	p := &peers{dir: dir}
	p.cmd = exec.Command(self, "peers", "--dir", dir, "--count", strconv.Itoa(c.Count),
		"--baud", strconv.Itoa(c.Baud), "--pace", strconv.FormatFloat(c.Pace, 'g', -1, 64), fmt.Sprintf("--all=%v", c.All))
	p.cmd.Stderr = os.Stderr
	out, err := p.cmd.StdoutPipe()
	if err != nil {
		return nil, err
	}
	if p.in, err = p.cmd.StdinPipe(); err != nil {
		return nil, err
	}
	if err := p.cmd.Start(); err != nil {
		return nil, err
	}
	if line, err := bufio.NewReader(out).ReadString('\n'); err != nil || line != "ready\n" {
		p.stop()
		return nil, fmt.Errorf("the virtual printers did not start: %q %v", line, err)
	}
	return p, nil
}

func (p *peers) path(i int) string { return filepath.Join(p.dir, strconv.Itoa(i)) }

func (p *peers) stop() {
	p.in.Close()
	_ = p.cmd.Wait() // it ends with its input; how does not matter here
	os.RemoveAll(p.dir)
}

package main

import (
	"context"
	"encoding/json"
	"fmt"
	"os"
	"slices"
	"strings"
	"time"

	"github.com/alecthomas/kong"

	"undercroft/cmd/undercroft/config"
	"undercroft/cmd/undercroft/ports"
	"undercroft/fleet/link"
	"undercroft/queue"
)

// portsCmd lists the serial ports.
type portsCmd struct {
	Config string `short:"c" help:"The configuration, for which port is which printer's. Left out: where serve looks for it, if it is there." placeholder:"FILE"`
	NoAsk  bool   `help:"Only list; open no port."`
	Baud   []int  `help:"Rates to ask at, likeliest first. Left out: the configured one, then 115200 and 250000." placeholder:"RATE"`
	JSON   bool   `name:"json" help:"Print JSON."`
}

// askTime bounds the asking: ports are asked side by side, each at a few rates.
const askTime = 45 * time.Second

// Run lists the ports, asks those that nobody holds, and says what to write into
// the configuration.
func (k *portsCmd) Run(kctx *kong.Context) error {
	for _, b := range k.Baud {
		if b < 1200 || b > 4_000_000 {
			return exitf(exitUsage, "--baud %d: a rate lies from 1200 to 4000000", b)
		}
	}
	var conf []ports.Configured
	if path, err := findConfig(k.Config); err == nil || k.Config != "" {
		c, err := loadConfig(path)
		if err != nil {
			return err
		}
		conf = configuredPorts(c)
	}
	list, err := ports.List("/")
	if err != nil {
		fmt.Fprintf(kctx.Stderr, "undercroft: %v\n", err)
	}
	list = ports.Name(list, conf)
	held, all := ports.Holders("/")
	free := 0
	for i := range list {
		list[i].HeldBy = held[list[i].Device]
		if len(list[i].HeldBy) == 0 && list[i].Answer == nil {
			free++
		}
	}
	if !k.NoAsk && free > 0 {
		fmt.Fprintf(kctx.Stderr, "Asking %s who is there: opening a port resets many boards; a print from a card on one of them ends.\n", count(free, "port", "ports"))
		ctx, cancel := context.WithTimeout(context.Background(), askTime)
		defer cancel()
		ports.AskAll(ctx, link.OpenPort, list, func(p *ports.Port) []int { return k.bauds(p, conf) })
	}
	if k.JSON {
		e := json.NewEncoder(kctx.Stdout)
		e.SetIndent("", "  ")
		if list == nil {
			list = []ports.Port{}
		}
		return e.Encode(list)
	}
	if len(list) == 0 {
		_, err := fmt.Fprintln(kctx.Stdout, "This computer has no serial port. Plug a printer in and switch it on; some cables carry power only, and such a port does not come up.")
		return err
	}
	for i := range list {
		printPort(kctx, &list[i])
	}
	if !all && os.Geteuid() != 0 {
		fmt.Fprintln(kctx.Stderr, "Other users' programs could not be looked into; as root, all that hold a port are shown.")
	}
	return nil
}

// bauds are the rates to try on a port.
func (k *portsCmd) bauds(p *ports.Port, conf []ports.Configured) []int {
	if len(k.Baud) > 0 {
		return k.Baud
	}
	var out []int
	for _, c := range conf {
		if slices.Contains(strings.Split(p.Printer, ", "), c.Printer) {
			out = append(out, c.Baud)
		}
	}
	for _, b := range ports.UsualBauds {
		if !slices.Contains(out, b) {
			out = append(out, b)
		}
	}
	return out
}

func printPort(kctx *kong.Context, p *ports.Port) {
	w := kctx.Stdout
	fmt.Fprintln(w, plain(p.Device))
	for i, n := range p.Names {
		word := "also"
		if i == 0 {
			word = "lasting name"
		}
		fmt.Fprintf(w, "    %-13s %s\n", word, plain(n))
	}
	if p.Vendor != "" {
		what := strings.TrimSpace(p.Maker + " " + p.Model)
		if p.Serial != "" {
			what += ", serial number " + p.Serial
		}
		fmt.Fprintf(w, "    %-13s %s\n", "USB", plain(fmt.Sprintf("%s:%s in socket %s  %s", p.Vendor, p.Product, p.Socket, what)))
	}
	if p.Printer != "" {
		fmt.Fprintf(w, "    %-13s %s\n", "configured as", plain(p.Printer))
	}
	for _, h := range p.HeldBy {
		fmt.Fprintf(w, "    %-13s %s\n", "held by", plain(fmt.Sprintf("%s, process %d", h.Name, h.PID)))
	}
	if p.Answer != nil {
		fmt.Fprintf(w, "    %-13s %s\n", "answer", plain(p.Answer.Text))
	}
}

// configuredPorts are the printers that have a port.
func configuredPorts(c *config.Config) []ports.Configured {
	var out []ports.Configured
	for _, p := range c.Printers {
		if p.Kind != queue.ByHand {
			out = append(out, ports.Configured{Printer: p.Name, Path: p.Path, Baud: p.Baud})
		}
	}
	return out
}

package main

import (
	"bytes"
	"context"
	"crypto/tls"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"net"
	"net/http"
	"net/url"
	"strings"
	"time"

	"github.com/alecthomas/kong"

	"undercroft/web"
	"undercroft/web/door"
)

// clientCommands are the commands that talk to a running daemon.
type clientCommands struct {
	Add          addCmd          `cmd:"" group:"jobs" help:"Add G-code files: each is read, refused with reasons, or queued."`
	Jobs         jobsCmd         `cmd:"" group:"jobs" help:"List the jobs, and why each waits."`
	Why          whyCmd          `cmd:"" group:"jobs" help:"Say for each printer what keeps it from taking a job."`
	Hold         holdCmd         `cmd:"" group:"jobs" help:"Keep a queued job back."`
	Release      releaseCmd      `cmd:"" group:"jobs" help:"Let a held job go on."`
	Cancel       cancelCmd       `cmd:"" group:"jobs" help:"Take a job out of the queue for good."`
	Mishaps      mishapsCmd      `cmd:"" group:"jobs" help:"List what went wrong, and at which heights."`
	Decide       decideCmd       `cmd:"" group:"jobs" help:"After a mishap: print the job again, or give it up."`
	Joined       joinedCmd       `cmd:"" group:"jobs" help:"Say that a remainder is joined and has cured: only then its piece counts."`
	Again        againCmd        `cmd:"" group:"jobs" help:"Queue another job like one that there is or was."`
	Order        orderCmd        `cmd:"" group:"jobs" help:"Put jobs before the others of their priority, in this sequence."`
	Move         moveCmd         `cmd:"" group:"jobs" help:"Have a job run on this printer and no other."`
	OnlyOn       onlyOnCmd       `cmd:"" group:"jobs" help:"Say on which printers alone a job may run; on any when none is named."`
	NotOn        notOnCmd        `cmd:"" group:"jobs" help:"Say on which printers a job may not run."`
	Yield        yieldCmd        `cmd:"" group:"jobs" help:"Say which pieces of a finished job are good, when its plate is clear already."`
	Begin        beginCmd        `cmd:"" group:"jobs" help:"Say that a person has started a job on a printer without a link."`
	End          endCmd          `cmd:"" group:"jobs" help:"Say that such a job has ended, and which pieces are good."`
	Build        buildCmd        `cmd:"" group:"builds" help:"Builds: begin one, list them, show one with its progress, give it dates."`
	Parts        partsCmd        `cmd:"" group:"builds" help:"Parts of a build: how many, when, which way; lists of them as CSV."`
	Bad          badCmd          `cmd:"" group:"builds" help:"A good piece failed a later look, such as a dry fit: its part is open again."`
	Marks        marksCmd        `cmd:"" group:"printers" help:"Show in large letters what to write on the pieces that lie on a plate."`
	Printers     printersCmd     `cmd:"" group:"printers" help:"List the printers: what each does, its height, when it ends."`
	Cleared      clearedCmd      `cmd:"" group:"printers" help:"Say that a printer's plate is empty and its sheet seated, and how many pieces were good."`
	NotYet       notYetCmd       `cmd:"" group:"printers" help:"Take a clearing back while the start counts down."`
	Fit          fitCmd          `cmd:"" group:"printers" help:"Say what is fitted and loaded on a printer now."`
	Lend         lendCmd         `cmd:"" group:"printers" help:"Leave a printer to a person at its panel."`
	TakeBack     takeBackCmd     `cmd:"" group:"printers" help:"End a lending."`
	Pause        pauseCmd        `cmd:"" group:"printers" help:"Hold a run: off the piece, with the heat that the configuration says."`
	Resume       resumeCmd       `cmd:"" group:"printers" help:"Go on with a held run."`
	Loaded       loadedCmd       `cmd:"" group:"printers" help:"Say that another reel is in a printer whose run is held; it purges and goes on."`
	Emergency    emergencyCmd    `cmd:"" group:"printers" help:"Stop a machine at once. The plug is the last word."`
	Stop         stopCmd         `cmd:"" group:"printers" help:"Stop a run now: end moves, heaters off, park."`
	OutOfService outOfServiceCmd `cmd:"" group:"printers" help:"Give a printer no more jobs."`
	InService    inServiceCmd    `cmd:"" group:"printers" help:"Give a printer jobs again."`
	Spools       spoolsCmd       `cmd:"" group:"printers" help:"List the reels in stock, and which will not last."`
	Spool        spoolCmd        `cmd:"" group:"printers" help:"Put a reel into stock, weigh it, load it, retire it."`
	Eyes         eyesCmd         `cmd:"" group:"printers" help:"Answer a call to a first layer: good, or stop."`
	Reload       reloadCmd       `cmd:"" group:"house" help:"Read the configuration anew, without touching running prints."`
	Cool         coolCmd         `cmd:"" group:"house" help:"Set every heater target of every printer to zero."`
	Audit        auditCmd        `cmd:"" group:"house" help:"Show who asked for which change."`
	Call         callCmd         `cmd:"" group:"house" help:"How people are called when a machine needs them: list the ways, test one."`
	Hours        hoursCmd        `cmd:"" group:"house" help:"Say when somebody is home and when nothing may be hot."`
}

// clientFlags are part of every client command.
type clientFlags struct {
	Server  string `env:"UNDERCROFT_SERVER" placeholder:"URL" help:"Where the daemon answers. Left out: where the configuration on this computer has it listen, else http://127.0.0.1:8017."`
	Key     string `env:"UNDERCROFT_KEY" placeholder:"KEY" help:"A key, where the daemon asks for one; left out on its own computer: the one in its folder. The environment variable keeps it out of the process list."`
	Trust   string `env:"UNDERCROFT_TRUST" placeholder:"FINGERPRINT" help:"Trust the certificate with this SHA-256 fingerprint; the daemon prints its own at its start."`
	Confirm string `placeholder:"PRINTER" help:"From another computer: the machine that may heat and move; nobody's hands are in it."`
	JSON    bool   `name:"json" help:"Print JSON, as the daemon gives it."`
}

// AfterApply gives the command its client.
func (f *clientFlags) AfterApply(k *kong.Context) error {
	c, err := newClient(*f, k.Stdout, k.Stderr)
	if err != nil {
		return err
	}
	k.Bind(c)
	return nil
}

// client speaks with one daemon and prints for one person or program.
type client struct {
	base    *url.URL
	key     string
	confirm string
	json    bool
	out     io.Writer
	err     io.Writer
	http    *http.Client
}

func newClient(f clientFlags, out, errOut io.Writer) (*client, error) {
	f = ownHouse(f)
	base, err := url.Parse(strings.TrimRight(f.Server, "/"))
	if err != nil || base.Host == "" || (base.Scheme != "http" && base.Scheme != "https") {
		return nil, exitf(exitUsage, "--server %q is not an address like http://127.0.0.1:8017", f.Server)
	}
	trust, err := trusted(f.Trust)
	if err != nil {
		return nil, err
	}
	dialer := &net.Dialer{Timeout: 5 * time.Second}
	return &client{
		base: base, key: f.Key, confirm: f.Confirm, json: f.JSON, out: out, err: errOut,
		http: &http.Client{
			// A redirect would send the key somewhere else.
			CheckRedirect: func(*http.Request, []*http.Request) error { return http.ErrUseLastResponse },
			Transport: &http.Transport{
				Proxy: http.ProxyFromEnvironment, DialContext: dialer.DialContext,
				TLSHandshakeTimeout: 5 * time.Second, TLSClientConfig: trust,
			},
		},
	}, nil
}

// answerTime bounds a call that carries no file; the daemon takes a minute at
// most. Stopping a printer waits for the moves on their way.
const answerTime = 75 * time.Second

// get asks for path and decodes the answer into v.
func (c *client) get(path string, v any) error {
	return c.call(http.MethodGet, path, nil, v)
}

// post sends body, if any, and decodes the answer into v, if any.
func (c *client) post(path string, body, v any) error {
	return c.call(http.MethodPost, path, body, v)
}

func (c *client) call(method, path string, body, v any) error {
	ctx, cancel := context.WithTimeout(context.Background(), answerTime)
	defer cancel()
	var src io.Reader
	if body != nil {
		text, err := json.Marshal(body)
		if err != nil {
			return err
		}
		src = bytes.NewReader(text)
	}
	return c.do(ctx, method, path, "application/json", src, v)
}

func (c *client) do(ctx context.Context, method, path, kind string, body io.Reader, v any) error {
	req, err := http.NewRequestWithContext(ctx, method, c.base.String()+path, body)
	if err != nil {
		return exitf(exitUsage, "%s %s is not a request: %v", method, path, err)
	}
	if body != nil {
		req.Header.Set("Content-Type", kind)
	}
	if c.key != "" {
		req.Header.Set("Authorization", "Bearer "+c.key)
	}
	if c.confirm != "" {
		req.Header.Set(web.ConfirmHeader, url.PathEscape(c.confirm))
	}
	resp, err := c.http.Do(req)
	if err != nil {
		return c.notReached(err)
	}
	defer resp.Body.Close()
	text, err := io.ReadAll(io.LimitReader(resp.Body, maxAnswer))
	if err != nil {
		return c.notReached(err)
	}
	if resp.StatusCode < 200 || resp.StatusCode > 299 {
		return c.problem(resp, text)
	}
	if v == nil || len(text) == 0 {
		return nil
	}
	if page, ok := v.(*string); ok { // not JSON
		*page = string(text)
		return nil
	}
	if err := json.Unmarshal(text, v); err != nil {
		return exitf(exitNotReached, "%s does not answer like an Undercroft daemon: %v", c.base, err)
	}
	return nil
}

// raw asks for path and returns the answer as it is.
func (c *client) raw(path string) (text string, err error) {
	err = c.get(path, &text)
	return text, err
}

const maxAnswer = 64 << 20 // bytes

// notReached names the daemon's address: mostly it is the wrong one, or nobody
// started the daemon.
func (c *client) notReached(err error) error {
	var u *url.Error
	if errors.As(err, &u) {
		err = u.Err
	}
	var strange *tls.CertificateVerificationError
	if errors.As(err, &strange) && len(strange.UnverifiedCertificates) > 0 {
		return exitf(exitNotReached, "the daemon at %s shows a certificate that this computer does not know (%v). Its fingerprint is\n  %s\nIf that is the one the daemon printed at its start, give it with --trust.",
			c.base, strange.Err, door.Fingerprint(strange.UnverifiedCertificates[0].Raw))
	}
	return &exitError{
		code: exitNotReached, noDaemon: true,
		text: fmt.Sprintf("the daemon at %s was not reached: %v\nStart it with 'undercroft serve', or say where it is with --server.", c.base, err),
	}
}

// problem makes an error of an RFC 9457 body.
func (c *client) problem(resp *http.Response, text []byte) error {
	var p web.Problem
	if err := json.Unmarshal(text, &p); err != nil || p.Detail == "" {
		return exitf(exitNotReached, "%s answered %s and nothing that could be read; is an Undercroft daemon there?", c.base, resp.Status)
	}
	if p.Kind == "wants-confirmation" {
		p.Detail += " Here: --confirm PRINTER."
	}
	return &exitError{code: exitOf(p), text: p.Detail, findings: p.Findings}
}

// exitOf maps the daemon's kinds of problems to exit codes.
func exitOf(p web.Problem) int {
	switch p.Kind {
	case "not-valid", "too-large", "wants-confirmation":
		return exitUsage
	case "refused":
		return exitRefused
	case "not-found":
		return exitNotFound
	case "not-possible-now", "too-many":
		return exitNotNow
	case "cannot-be-reached", "too-slow":
		return exitNotReached
	case "no-credential", "not-from-here":
		return exitNotLetIn
	}
	return exitInternal
}

// printJSON prints v as the daemon gave it, indented.
func (c *client) printJSON(v any) error {
	e := json.NewEncoder(c.out)
	e.SetIndent("", "  ")
	e.SetEscapeHTML(false)
	return e.Encode(v)
}

// say prints a sentence for a person, or {"done": true} for a program.
func (c *client) say(format string, args ...any) error {
	if c.json {
		return c.printJSON(map[string]bool{"done": true})
	}
	_, err := fmt.Fprintf(c.out, format+"\n", args...)
	return err
}

package main

import (
	"bufio"
	"errors"
	"fmt"
	"io"
	"os"
	"path/filepath"
	"strings"

	"github.com/alecthomas/kong"
	"golang.org/x/term"

	"undercroft/cmd/undercroft/config"
	"undercroft/web/door"
)

// Files of the door in the daemon's folder.
const (
	peopleFile = "people.json"
	houseKey   = "house.key"
	auditFile  = "audit.jsonl"
)

// peopleCmd is who may log in. It works on the daemon's folder, whether or not
// the daemon runs: whoever may write there decides who comes in.
type peopleCmd struct {
	Add      personAddCmd      `cmd:"" help:"Write somebody down who may log in."`
	List     personListCmd     `cmd:"" help:"List who may log in."`
	Password personPasswordCmd `cmd:"" help:"Give somebody another password; their sessions end."`
	Role     personRoleCmd     `cmd:"" help:"Change what somebody may do."`
	Remove   personRemoveCmd   `cmd:"" help:"Strike somebody; their sessions end."`
}

// keysCmd is which programs are let in.
type keysCmd struct {
	Add    keyAddCmd       `cmd:"" help:"Make a key for a program. It is printed this once."`
	List   keyListCmd      `cmd:"" help:"List the keys' names."`
	Remove personRemoveCmd `cmd:"" help:"Strike a key."`
}

// bookFlags name the configuration whose house is meant.
type bookFlags struct {
	Config string `short:"c" help:"The configuration. Left out: where serve looks for it." placeholder:"FILE"`
}

func (f bookFlags) open() (*door.Book, *config.Config, error) {
	conf, err := loadConfig(f.Config)
	if err != nil {
		return nil, nil, err
	}
	b, err := door.OpenBook(filepath.Join(conf.House.DataDir, peopleFile), nil)
	return b, conf, bookError(err)
}

// bookError gives an error of the book its exit code.
func bookError(err error) error {
	switch {
	case err == nil:
		return nil
	case errors.Is(err, door.ErrUnknown):
		return exitf(exitNotFound, "%v", err)
	case errors.Is(err, door.ErrTaken):
		return exitf(exitNotNow, "%v", err)
	case errors.Is(err, os.ErrPermission):
		return exitf(exitNotLetIn, "%v. Run this as the user that the daemon runs as", err)
	}
	return exitf(exitUsage, "%v", err)
}

type personAddCmd struct {
	bookFlags
	Name string `arg:"" help:"The name to log in with."`
	Role string `enum:"watch,operate" default:"watch" help:"watch: see everything, change nothing; operate: whatever heats or moves a machine too."`
}

func (k *personAddCmd) Run(kctx *kong.Context) error {
	b, conf, err := k.open()
	if err != nil {
		return err
	}
	password, err := askPassword(os.Stdin, kctx.Stderr)
	if err != nil {
		return err
	}
	if err := b.AddPerson(k.Name, door.Role(k.Role), password); err != nil {
		return bookError(err)
	}
	fmt.Fprintf(kctx.Stdout, "%s may %s.\n", k.Name, k.Role)
	if conf.House.Loopback {
		fmt.Fprintf(kctx.Stdout, "The daemon listens on %s, this computer only; 'listen' in the configuration opens it to others.\n", conf.House.Listen)
	}
	return nil
}

type personListCmd struct{ bookFlags }

func (k *personListCmd) Run(kctx *kong.Context) error {
	b, _, err := k.open()
	if err != nil {
		return err
	}
	people, err := b.People()
	if err != nil {
		return bookError(err)
	}
	t := newTable(kctx.Stdout, "NAME", "MAY", "SINCE")
	for _, p := range people {
		t.row(p.Name, string(p.Role), p.Since.Local().Format("2006-01-02 15:04"))
	}
	return t.end()
}

type personPasswordCmd struct {
	bookFlags
	Name string `arg:"" help:"Whose."`
}

func (k *personPasswordCmd) Run(kctx *kong.Context) error {
	b, _, err := k.open()
	if err != nil {
		return err
	}
	password, err := askPassword(os.Stdin, kctx.Stderr)
	if err != nil {
		return err
	}
	return bookError(b.SetPassword(k.Name, password))
}

type personRoleCmd struct {
	bookFlags
	Name string `arg:"" help:"Whose."`
	Role string `arg:"" enum:"watch,operate" help:"watch or operate."`
}

func (k *personRoleCmd) Run() error {
	b, _, err := k.open()
	if err != nil {
		return err
	}
	return bookError(b.SetRole(k.Name, door.Role(k.Role)))
}

type personRemoveCmd struct {
	bookFlags
	Name string `arg:"" help:"Whose."`
}

func (k *personRemoveCmd) Run() error {
	b, _, err := k.open()
	if err != nil {
		return err
	}
	return bookError(b.Remove(k.Name))
}

type keyAddCmd struct {
	bookFlags
	Name string `arg:"" help:"What the key is for."`
	Role string `enum:"watch,operate" default:"watch" help:"watch: see everything, change nothing; operate: whatever heats or moves a machine too."`
}

func (k *keyAddCmd) Run(kctx *kong.Context) error {
	b, _, err := k.open()
	if err != nil {
		return err
	}
	key, err := b.AddKey(k.Name, door.Role(k.Role))
	if err != nil {
		return bookError(err)
	}
	fmt.Fprintln(kctx.Stderr, "Send it as 'Authorization: Bearer KEY'. It is not kept anywhere: write it down now.")
	_, err = fmt.Fprintln(kctx.Stdout, key)
	return err
}

type keyListCmd struct{ bookFlags }

func (k *keyListCmd) Run(kctx *kong.Context) error {
	b, _, err := k.open()
	if err != nil {
		return err
	}
	keys, err := b.Keys()
	if err != nil {
		return bookError(err)
	}
	t := newTable(kctx.Stdout, "NAME", "MAY", "SINCE")
	for _, p := range keys {
		t.row(p.Name, string(p.Role), p.Since.Local().Format("2006-01-02 15:04"))
	}
	return t.end()
}

// askPassword asks twice at a terminal, without showing what is typed; what is
// no terminal gives the password as its first line.
func askPassword(in *os.File, out io.Writer) (string, error) {
	if !term.IsTerminal(int(in.Fd())) {
		line, err := bufio.NewReader(io.LimitReader(in, 4096)).ReadString('\n')
		if err != nil && !errors.Is(err, io.EOF) {
			return "", err
		}
		return strings.TrimRight(line, "\r\n"), nil
	}
	var typed [2]string
	for i, question := range []string{"Password: ", "Once more: "} {
		fmt.Fprint(out, question)
		text, err := term.ReadPassword(int(in.Fd()))
		fmt.Fprintln(out)
		if err != nil {
			return "", err
		}
		typed[i] = string(text)
	}
	if typed[0] != typed[1] {
		return "", exitf(exitUsage, "the two are not the same; nothing was changed")
	}
	return typed[0], nil
}

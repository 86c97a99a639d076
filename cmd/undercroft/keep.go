package main

import (
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"path/filepath"

	"github.com/alecthomas/kong"

	"undercroft/queue"
	"undercroft/queue/store"
)

// dataFlags name the data folder: these commands read it themselves, with or
// without a daemon at work on it.
type dataFlags struct {
	Config string `short:"c" help:"The configuration that names the data folder. Left out: as for serve." placeholder:"FILE"`
	Data   string `help:"The data folder itself." placeholder:"DIR"`
}

func (d dataFlags) dir() (string, error) {
	if d.Data != "" {
		return d.Data, nil
	}
	conf, err := loadConfig(d.Config)
	if err != nil {
		return "", err
	}
	return conf.House.DataDir, nil
}

// kept gives an error of the store its exit code.
func kept(err error) error {
	switch {
	case errors.Is(err, queue.ErrNotFound):
		return exitf(exitNotFound, "%s", queue.Words(err))
	case errors.Is(err, queue.ErrUnavailable), errors.Is(err, queue.ErrConflict):
		return exitf(exitNotNow, "%s", queue.Words(err))
	}
	return err
}

// backupCmd copies the database.
type backupCmd struct {
	dataFlags
	File string `arg:"" help:"The file to write; it must not exist yet."`
}

// Run copies while a daemon may go on working.
func (k *backupCmd) Run(kctx *kong.Context) error {
	dir, err := k.dir()
	if err != nil {
		return err
	}
	if err := store.Backup(context.Background(), dir, k.File); err != nil {
		return kept(err)
	}
	_, err = fmt.Fprintf(kctx.Stdout, "%s is a whole copy of the database, read through.\nThe G-code files are no part of it: copy %s too.\nTo restore: end the daemon, put the copy in place of %s, remove the files beside it that end in -wal and -shm, and run 'undercroft check'.\n",
		k.File, filepath.Join(dir, "files"), filepath.Join(dir, "undercroft.db"))
	return err
}

// checkCmd reads a data folder through.
type checkCmd struct {
	dataFlags
	JSON bool `name:"json" help:"Print JSON."`
}

// Run prints what is wrong; the exit code is 5 when anything is.
func (k *checkCmd) Run(kctx *kong.Context) error {
	dir, err := k.dir()
	if err != nil {
		return err
	}
	c, err := store.Check(context.Background(), dir)
	if err != nil {
		return kept(err)
	}
	if k.JSON {
		e := json.NewEncoder(kctx.Stdout)
		e.SetIndent("", "  ")
		if err := e.Encode(c); err != nil {
			return err
		}
	} else {
		for _, f := range c.Faults {
			fmt.Fprintf(kctx.Stdout, "%s: %s\n", f.Where, plain(f.Text))
		}
		for _, path := range c.Stray {
			fmt.Fprintf(kctx.Stdout, "%s belongs to no file here; it does no harm and may be removed\n", plain(path))
		}
		fmt.Fprintf(kctx.Stdout, "Schema %d; %s, %s, %s and %s read.\n", c.Schema, count(c.Jobs, "job", "jobs"), count(c.Runs, "run", "runs"), count(c.Layers, "layer record", "layer records"), count(c.Files, "file", "files"))
	}
	if n := len(c.Faults); n > 0 {
		return exitf(exitNotNow, "%s found wrong in %s", count(n, "thing was", "things were"), dir)
	}
	if k.JSON {
		return nil
	}
	_, err = fmt.Fprintln(kctx.Stdout, "Nothing is wrong.")
	return err
}

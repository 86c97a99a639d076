package main

import (
	"bytes"
	"strings"
	"testing"

	"github.com/alecthomas/kong"
)

// Every command and every key of the configuration stands in its page, and no
// line is read as a request that is not one of ours.
func TestManualPages(t *testing.T) {
	var out, errs bytes.Buffer
	if code := execute([]string{"manual"}, &out, &errs); code != exitDone {
		t.Fatal(code, errs.String())
	}
	page := out.String()
	var p program
	parser, err := kong.New(&p, kong.ExplicitGroups(groups), kong.Vars{"version": "", "faults_help": ""})
	if err != nil {
		t.Fatal(err)
	}
	for _, node := range parser.Model.Leaves(true) {
		if !strings.Contains(page, ".SS \""+node.Path()+"\"\n") {
			t.Errorf("undercroft(1) has no %q", node.Path())
		}
	}
	for _, line := range strings.Split(page, "\n") {
		if strings.HasPrefix(line, ".") && !strings.Contains(" .TH .SH .SS .TP .B .PP .nf .fi ", " "+strings.Fields(line)[0]+" ") {
			t.Errorf("a request that was not meant: %q", line)
		}
	}
	out.Reset()
	if code := execute([]string{"manual", "undercroft.toml"}, &out, &errs); code != exitDone {
		t.Fatal(code, errs.String())
	}
	for _, want := range []string{"[[printer]]", "start_delay", `.TH "UNDERCROFT.TOML" 5`} {
		if !strings.Contains(out.String(), want) {
			t.Errorf("undercroft.toml(5) has no %q", want)
		}
	}
}

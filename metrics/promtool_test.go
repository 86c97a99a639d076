package metrics

import (
	"os"
	"os/exec"
	"strings"
	"testing"
)

// promtool runs Prometheus' own tool in a folder. Without it the test is skipped,
// and fails where UNDERCROFT_PROMETHEUS says that it is required.
func promtool(t *testing.T, dir, stdin string, args ...string) string {
	t.Helper()
	path, err := exec.LookPath("promtool")
	if err != nil {
		if os.Getenv("UNDERCROFT_PROMETHEUS") == "required" {
			t.Fatal("promtool is not installed, and UNDERCROFT_PROMETHEUS says that it must be: apt-get install prometheus")
		}
		t.Skip("promtool is not installed: apt-get install prometheus")
	}
	cmd := exec.Command(path, args...)
	cmd.Dir, cmd.Stdin = dir, strings.NewReader(stdin)
	out, err := cmd.CombinedOutput()
	if err != nil {
		t.Fatalf("promtool %s: %v\n%s", strings.Join(args, " "), err, out)
	}
	return string(out)
}

// TestPromtool has Prometheus' own tool judge what a scrape gives, and try the
// alerting rules on series that should and should not raise them.
func TestPromtool(t *testing.T) {
	if said := promtool(t, ".", scrape(t, registry(t, fixed{s: cellar()})), "check", "metrics"); said != "" {
		t.Errorf("promtool check metrics says:\n%s", said)
	}
	promtool(t, "rules", "", "check", "rules", "undercroft.rules.yml")
	promtool(t, "rules", "", "test", "rules", "undercroft_test.yml")
}

// Every alert is tried.
func TestEveryRuleIsTried(t *testing.T) {
	rules, err := os.ReadFile("rules/undercroft.rules.yml")
	if err != nil {
		t.Fatal(err)
	}
	tests, err := os.ReadFile("rules/undercroft_test.yml")
	if err != nil {
		t.Fatal(err)
	}
	n := 0
	for line := range strings.Lines(string(rules)) {
		if _, name, ok := strings.Cut(strings.TrimSpace(line), "alert: "); ok {
			n++
			if !strings.Contains(string(tests), "alertname: "+name) {
				t.Errorf("no test tries %s", name)
			}
		}
	}
	if n < 15 {
		t.Errorf("%d alerts were found", n)
	}
}

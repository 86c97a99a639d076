package door

import (
	"errors"
	"fmt"
	"os"
	"path/filepath"
	"strings"
	"sync"
	"testing"
	"time"
)

func TestBook(t *testing.T) {
	b := emptyBook(t)
	for _, c := range []struct {
		name, password string
		role           Role
		want           string
	}{
		{"", password, Watch, "not a name"},
		{"Wim\n", password, Watch, "not a name"},
		{"<b>Wim</b>", password, Watch, "not a name"},
		{strings.Repeat("w", 41), password, Watch, "not a name"},
		{"Wim", password, "owner", "not a role"},
		{"Wim", "short", Watch, "10 at least"},
		{"Wim", strings.Repeat("x", 12), Watch, "over and over"},
		{"Wim", "this is wim's door", Watch, "contains the name"},
		{"Wim", strings.Repeat("long ", 60), Watch, "are the most"},
		{"Wim", "not text \xff\xfe at all", Watch, "not text"},
		{"Wim", password, Operate, ""},
		{"wim", password, Watch, "taken"},
		{"Zoë de Vries", "ein Schilf am Wasser", Watch, ""},
	} {
		err := b.AddPerson(c.name, c.role, c.password)
		if c.want == "" && err != nil || c.want != "" && (err == nil || !strings.Contains(err.Error(), c.want)) {
			t.Errorf("add %q with %q as %s: %v, want %q", c.name, c.password, c.role, err, c.want)
		}
	}
	if _, err := b.AddKey("WIM", Watch); !errors.Is(err, ErrTaken) {
		t.Errorf("a key by a person's name: %v", err)
	}
	if err := errors.Join(b.SetRole("wim", Watch)); err != nil {
		t.Error(err)
	}
	for _, err := range []error{b.SetRole("Otto", Watch), b.SetPassword("Otto", password), b.Remove("Otto")} {
		if !errors.Is(err, ErrUnknown) {
			t.Errorf("somebody unknown: %v", err)
		}
	}
	got, err := b.People()
	if err != nil || len(got) != 2 || got[0].Name != "Wim" || got[0].Role != Watch || got[0].Hash != "" {
		t.Errorf("people: %+v, %v", got, err)
	}
	text, err := os.ReadFile(b.path)
	if err != nil || strings.Contains(string(text), password) {
		t.Errorf("the file tells a password, or cannot be read: %v", err)
	}
	if info, err := os.Stat(b.path); err != nil || info.Mode().Perm() != 0o600 {
		t.Errorf("the file may be read by others: %v, %v", info.Mode(), err)
	}
}

// Two processes that write at once lose nothing.
func TestBookFromManySides(t *testing.T) {
	at := filepath.Join(t.TempDir(), "people.json")
	var all sync.WaitGroup
	for i := range 8 {
		all.Go(func() {
			b, err := OpenBook(at, nil)
			if err == nil {
				_, err = b.AddKey(fmt.Sprint("script ", i), Watch)
			}
			if err != nil {
				t.Error(err)
			}
		})
	}
	all.Wait()
	b, err := OpenBook(at, nil)
	if err != nil {
		t.Fatal(err)
	}
	if keys, err := b.Keys(); err != nil || len(keys) != 8 {
		t.Errorf("%d keys, %v", len(keys), err)
	}
}

// Sessions that were ended do not pile up without bound, and none of them lives
// again.
func TestManyLeave(t *testing.T) {
	b := people(t)
	p, _, err := b.Admit("Wim", password)
	if err != nil {
		t.Fatal(err)
	}
	first, _, err := b.Open(p)
	if err != nil {
		t.Fatal(err)
	}
	if err := b.Leave(first); err != nil {
		t.Fatal(err)
	}
	if err := b.change(func(c *contents) error {
		for i := range maxLeft - len(c.Left) {
			c.Left = append(c.Left, leaving{ID: fmt.Sprint(i), Until: time.Now().Add(time.Hour)})
		}
		return nil
	}); err != nil {
		t.Fatal(err)
	}
	second, _, err := b.Open(p)
	if err != nil {
		t.Fatal(err)
	}
	if err := b.Leave(second); err != nil {
		t.Fatal(err)
	}
	for _, value := range []string{first, second} {
		if _, ok, err := b.Session(value); ok || err != nil {
			t.Errorf("a session that was ended lives: %v", err)
		}
	}
}

// The string format is the PHC's; the bounds keep a strange file from hanging
// the daemon.
func TestPasswordHashes(t *testing.T) {
	hash, err := hashPassword(password)
	if err != nil {
		t.Fatal(err)
	}
	if !strings.HasPrefix(hash, "$argon2id$v=19$m=19456,t=2,p=1$") {
		t.Errorf("the hash is %q", hash)
	}
	again, err := hashPassword(password)
	if err != nil || again == hash {
		t.Errorf("no salt: %q, %v", again, err)
	}
	for _, c := range []struct {
		name, phc, password string
		fits                bool
	}{
		{"right", hash, password, true},
		{"wrong", hash, password + " ", false},
		{"empty", hash, "", false},
		{"another kind", strings.Replace(hash, "argon2id", "argon2i", 1), password, false},
		{"another version", strings.Replace(hash, "v=19", "v=16", 1), password, false},
		{"a terabyte", strings.Replace(hash, "m=19456", "m=1073741824", 1), password, false},
		{"for ever", strings.Replace(hash, "t=2", "t=4000000000", 1), password, false},
		{"no lanes", strings.Replace(hash, "p=1", "p=0", 1), password, false},
		{"no sum", hash[:strings.LastIndex(hash, "$")+1], password, false},
		{"nothing", "", "", false},
		{"the encoded form of RFC 9106's reference code, from memory of its shape", "$argon2id$v=19$m=64,t=1,p=1$c29tZXNhbHQ$invalid*", "x", false},
	} {
		if got := passwordFits(c.phc, c.password); got != c.fits {
			t.Errorf("%s: %t", c.name, got)
		}
	}
}

func TestAudit(t *testing.T) {
	at := filepath.Join(t.TempDir(), "audit.jsonl")
	a, err := OpenAudit(at)
	if err != nil {
		t.Fatal(err)
	}
	a.max = 2500
	noon := time.Date(2026, 11, 25, 12, 0, 0, 0, time.UTC)
	for i := range 60 {
		if err := a.Add(Entry{At: noon.Add(time.Duration(i) * time.Minute), Who: "Wim", Method: "POST", Path: fmt.Sprint("/api/jobs/", i, "/hold"), Status: 204}); err != nil {
			t.Fatal(err)
		}
	}
	got, err := a.Newest(5, time.Time{})
	if err != nil || len(got) != 5 || got[0].Path != "/api/jobs/59/hold" || got[4].Path != "/api/jobs/55/hold" {
		t.Errorf("newest: %+v, %v", got, err)
	}
	if got, err = a.Newest(2, got[4].At); err != nil || len(got) != 2 || got[0].Path != "/api/jobs/54/hold" {
		t.Errorf("the page after: %+v, %v", got, err)
	}
	if got, err = a.Newest(1000, time.Time{}); err != nil || len(got) < 20 || len(got) > 59 {
		t.Errorf("%d entries are kept in two files of %d bytes; %v", len(got), a.max, err)
	}
	if err := a.Close(); err != nil {
		t.Fatal(err)
	}
	// The power goes in the middle of a line.
	f, err := os.OpenFile(at, os.O_APPEND|os.O_WRONLY, 0)
	if err != nil {
		t.Fatal(err)
	}
	f.WriteString(`{"at":"2026-11-2`)
	f.Close()
	if a, err = OpenAudit(at); err != nil {
		t.Fatal(err)
	}
	defer a.Close()
	if err := a.Add(Entry{At: noon.Add(2 * time.Hour), Who: "Noor"}); err != nil {
		t.Fatal(err)
	}
	if got, err = a.Newest(2, time.Time{}); err != nil || len(got) != 2 || got[0].Who != "Noor" || got[1].Path != "/api/jobs/59/hold" {
		t.Errorf("after a line that was cut: %+v, %v", got, err)
	}
}

// The certificate stays the same over restarts and address changes, and is made
// anew for a new name and before it ends.
func TestSelfMade(t *testing.T) {
	dir := t.TempDir()
	now := time.Date(2026, 11, 25, 12, 0, 0, 0, time.UTC)
	make := func(given, besides []string, now time.Time) string {
		t.Helper()
		c, err := SelfMade(dir, given, besides, now)
		if err != nil {
			t.Fatal(err)
		}
		for _, n := range given {
			if err := c.Leaf.VerifyHostname(n); err != nil {
				t.Error(err)
			}
		}
		return Fingerprint(c.Leaf.Raw)
	}
	first := make([]string{"cellar.home.arpa", "192.0.2.7"}, []string{"192.0.2.8", "localhost"}, now)
	if len(first) != 95 {
		t.Errorf("the fingerprint is %q", first)
	}
	if again := make([]string{"192.0.2.7"}, []string{"192.0.2.9"}, now); again != first {
		t.Error("another address of this computer made another certificate")
	}
	if again := make([]string{"other.home.arpa"}, nil, now); again == first {
		t.Error("a new name made no new certificate")
	} else if later := make([]string{"other.home.arpa"}, nil, now.Add(selfMadeTime-renewBefore+time.Hour)); later == again {
		t.Error("a certificate that ends soon was not made anew")
	}
	if info, err := os.Stat(filepath.Join(dir, "self-made.key")); err != nil || info.Mode().Perm() != 0o600 {
		t.Errorf("the key: %v %v", info, err)
	}
}

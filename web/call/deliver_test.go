package call

import (
	"bytes"
	"context"
	"crypto/tls"
	"crypto/x509"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"mime"
	"net"
	"net/http"
	"net/http/httptest"
	"net/mail"
	"path/filepath"
	"strings"
	"sync"
	"sync/atomic"
	"testing"
	"testing/synctest"
	"time"

	"github.com/emersion/go-sasl"
	"github.com/emersion/go-smtp"

	"undercroft/queue"
	"undercroft/web"
	"undercroft/web/webtest"
)

// postOffice is a mail server that keeps what it gets.
type postOffice struct {
	mu    sync.Mutex
	mails []string
	to    []string
}

func (p *postOffice) NewSession(*smtp.Conn) (smtp.Session, error) {
	return &postSession{office: p}, nil
}

type postSession struct {
	office *postOffice
	known  bool
	to     []string
}

func (s *postSession) AuthMechanisms() []string { return []string{sasl.Plain} }
func (s *postSession) Auth(string) (sasl.Server, error) {
	return sasl.NewPlainServer(func(_, user, password string) error {
		if user != "cellar" || password != "right" {
			return smtp.ErrAuthFailed
		}
		s.known = true
		return nil
	}), nil
}
func (s *postSession) Mail(string, *smtp.MailOptions) error {
	if !s.known {
		return smtp.ErrAuthRequired
	}
	return nil
}
func (s *postSession) Rcpt(to string, _ *smtp.RcptOptions) error { s.to = append(s.to, to); return nil }
func (s *postSession) Data(r io.Reader) error {
	b, err := io.ReadAll(r)
	s.office.mu.Lock()
	defer s.office.mu.Unlock()
	s.office.mails, s.office.to = append(s.office.mails, string(b)), append(s.office.to, s.to...)
	return err
}
func (s *postSession) Reset()        {}
func (s *postSession) Logout() error { return nil }

// openPost starts a mail server: over TLS at once, or with STARTTLS.
func openPost(t *testing.T, atOnce bool) (*postOffice, string, *tls.Config) {
	t.Helper()
	// The certificate that net/http/httptest makes for 127.0.0.1 and example.com.
	ts := httptest.NewTLSServer(nil)
	certificate := ts.TLS.Certificates[0]
	roots := x509.NewCertPool()
	roots.AddCert(ts.Certificate())
	ts.Close()
	office := &postOffice{}
	srv := smtp.NewServer(office)
	srv.Domain, srv.TLSConfig = "post.example", &tls.Config{Certificates: []tls.Certificate{certificate}}
	l, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	address := l.Addr().String()
	if atOnce {
		l = tls.NewListener(l, srv.TLSConfig)
	}
	go func() { _ = srv.Serve(l) }()
	t.Cleanup(func() { srv.Close() })
	return office, address, &tls.Config{RootCAs: roots}
}

var two = []web.Call{
	{ID: "plate/Curlew/29/1", Kind: Plate, Title: "Curlew: clear the plate", Text: "Wing rib 7 lies on it.", Do: "Take it off.", Link: "https://cellar.example:8017/#printer=Curlew", At: noon},
	{ID: "mishap/4/1", Kind: Alarm, Title: "Egret: Neck segment 3 stopped at 77.4 of 180.0 mm – ü", Text: "The port vanished.", Do: "Go and look.", At: noon},
}

func TestMail(t *testing.T) {
	for _, how := range []string{MailTLS, MailStartTLS} {
		t.Run(how, func(t *testing.T) {
			office, address, trust := openPost(t, how == MailTLS)
			m, err := NewMail(Mail{Server: address, TLS: how, User: "cellar", Password: "right", From: "cellar@example.org", To: []string{"merel@example.org", "Kin <kin@example.org>"}, Trust: trust})
			if err != nil {
				t.Fatal(err)
			}
			if err := m.Send(t.Context(), two); err != nil {
				t.Fatal(err)
			}
			if len(office.mails) != 1 || strings.Join(office.to, " ") != "merel@example.org kin@example.org" {
				t.Fatalf("%d mails to %v", len(office.mails), office.to)
			}
			got, err := mail.ReadMessage(strings.NewReader(office.mails[0]))
			if err != nil {
				t.Fatal(err)
			}
			subject, err := new(mime.WordDecoder).DecodeHeader(got.Header.Get("Subject"))
			if want := two[1].Title + ", and 1 more"; err != nil || subject != want {
				t.Errorf("subject %q (%v), want %q", subject, err, want)
			}
			if got.Header.Get("Auto-Submitted") != "auto-generated" || got.Header.Get("Message-Id") == "" {
				t.Errorf("header %v", got.Header)
			}
			if _, err := got.Header.Date(); err != nil {
				t.Error(err)
			}
			for _, want := range []string{"Wing rib 7 lies on it.", "What to do: Take it off."} {
				if !strings.Contains(office.mails[0], want) {
					t.Errorf("%q is not said in %s", want, office.mails[0])
				}
			}
		})
	}
}

func TestMailRefused(t *testing.T) {
	office, address, trust := openPost(t, false)
	good := Mail{Server: address, TLS: MailStartTLS, User: "cellar", Password: "right", From: "cellar@example.org", To: []string{"merel@example.org"}, Trust: trust}
	for name, edit := range map[string]func(*Mail){
		"a wrong password":          func(m *Mail) { m.Password = "wrong, and secret" },
		"a certificate of somebody": func(m *Mail) { m.Trust = nil },
		"no server":                 func(m *Mail) { m.Server = "127.0.0.1:1" },
		"no TLS where it must be":   func(m *Mail) { m.TLS = MailTLS },
	} {
		m := good
		edit(&m)
		err := m.Send(t.Context(), two)
		if err == nil || strings.Contains(err.Error(), "secret") {
			t.Errorf("%s: %v", name, err)
		}
	}
	if len(office.mails) != 0 {
		t.Error("a mail went out")
	}
	for name, edit := range map[string]func(*Mail){
		"no port": func(m *Mail) { m.Server = "mail.example.org" }, "nobody": func(m *Mail) { m.To = nil },
		"a header in an address": func(m *Mail) { m.From = "a@example.org\r\nBcc: b@example.org" },
	} {
		m := good
		edit(&m)
		if _, err := NewMail(m); err == nil {
			t.Errorf("%s was taken", name)
		}
	}
}

func TestWebhook(t *testing.T) {
	secret := []byte("0123456789abcdef")
	var got []web.Call
	ts := httptest.NewServer(http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		body, _ := io.ReadAll(r.Body)
		if err := Verify(secret, r.Header, body, time.Now()); err != nil {
			t.Error(err)
		}
		if Verify([]byte("another secret!!"), r.Header, body, time.Now()) == nil {
			t.Error("another house's secret was taken")
		}
		if Verify(secret, r.Header, append(body, ' '), time.Now()) == nil {
			t.Error("a changed body was taken")
		}
		if Verify(secret, r.Header, body, time.Now().Add(SignatureAge+2*time.Second)) == nil {
			t.Error("an old request was taken")
		}
		var c web.Call
		if err := json.Unmarshal(body, &c); err != nil {
			t.Error(err)
		}
		got = append(got, c)
	}))
	defer ts.Close()
	w, err := NewWebhook(ts.URL+"/hook", secret)
	if err != nil {
		t.Fatal(err)
	}
	if err := w.Send(t.Context(), two); err != nil {
		t.Fatal(err)
	}
	if len(got) != 2 || got[0].Title != two[0].Title || got[1].ID != two[1].ID {
		t.Errorf("got %+v", got)
	}
}

// The sum was made by another implementation of HMAC-SHA256 (RFC 2104):
// printf '1700000000\n{}' | openssl dgst -sha256 -hmac Jefe
func TestSign(t *testing.T) {
	if got, want := Sign([]byte("Jefe"), 1700000000, []byte("{}")), opensslSum; got != want {
		t.Errorf("%s, want %s", got, want)
	}
}

func TestWebhookFollowsNothing(t *testing.T) {
	var elsewhere atomic.Int32
	other := httptest.NewServer(http.HandlerFunc(func(http.ResponseWriter, *http.Request) { elsewhere.Add(1) }))
	defer other.Close()
	ts := httptest.NewServer(http.RedirectHandler(other.URL, http.StatusTemporaryRedirect))
	defer ts.Close()
	w, err := NewWebhook(ts.URL+"/very-secret-path", []byte("0123456789abcdef"))
	if err != nil {
		t.Fatal(err)
	}
	if err := w.Send(t.Context(), two); err == nil || !strings.Contains(err.Error(), "redirects are not followed") || elsewhere.Load() != 0 {
		t.Errorf("%v; %d requests went elsewhere", err, elsewhere.Load())
	}
	ts.Close()
	if err := w.Send(t.Context(), two); err == nil || strings.Contains(err.Error(), "very-secret-path") {
		t.Errorf("a dead receiver: %v", err)
	}
	for _, bad := range []string{"", "ftp://example.org", "file:///etc/passwd", "http://", "//example.org"} {
		if _, err := NewWebhook(bad, nil); err == nil {
			t.Errorf("%q was taken", bad)
		}
	}
}

func TestWebhookComesLater(t *testing.T) {
	ts := httptest.NewServer(http.HandlerFunc(func(w http.ResponseWriter, _ *http.Request) {
		w.Header().Set("Retry-After", "120")
		w.WriteHeader(http.StatusTooManyRequests)
	}))
	defer ts.Close()
	w, _ := NewWebhook(ts.URL, []byte("0123456789abcdef"))
	var later *laterError
	if err := w.Send(t.Context(), two); !errors.As(err, &later) || later.after != 2*time.Minute {
		t.Errorf("%v", err)
	}
}

// flaky fails as often as it is told to.
type flaky struct {
	mu    sync.Mutex
	fails int
	tries []time.Time
	got   []web.Call
	hang  bool
}

func (f *flaky) Send(ctx context.Context, calls []web.Call) error {
	f.mu.Lock()
	defer f.mu.Unlock()
	if f.hang {
		f.mu.Unlock()
		<-ctx.Done()
		f.mu.Lock()
		return ctx.Err()
	}
	f.tries = append(f.tries, time.Now())
	if f.fails > 0 {
		f.fails--
		return errors.New("no route")
	}
	f.got = append(f.got, calls...)
	return nil
}

// A caller in simulated time: it tries again with pauses that grow, tells once,
// holds nobody up, and goes on after a restart.
func TestCaller(t *testing.T) {
	path := filepath.Join(t.TempDir(), "calls.json")
	synctest.Test(t, func(t *testing.T) {
		rest := func(d time.Duration) {
			time.Sleep(d)
			synctest.Wait() // what the caller did by now is seen here
		}
		house := webtest.New(noon)
		post, stuck := &flaky{fails: 3}, &flaky{hang: true}
		options := Options{Source: house, Path: path, Base: "https://cellar.example:8017", Channels: []Channel{
			{Name: "post", To: "mail", Sender: post}, {Name: "hook", To: "webhook", Sender: stuck, Rules: Rules{For: []string{Alarm}}},
		}}
		run := func(during func(c *Caller)) {
			c, err := New(options)
			if err != nil {
				t.Fatal(err)
			}
			ctx, stop := context.WithCancel(t.Context())
			ended := make(chan error)
			go func() { ended <- c.Run(ctx) }()
			during(c)
			stop()
			if err := <-ended; !errors.Is(err, context.Canceled) {
				t.Error(err)
			}
		}
		began := time.Now()
		run(func(c *Caller) {
			rest(5 * time.Second)
			if v := c.View(); len(v.Troubles) != 1 || !strings.Contains(v.Troubles[0], "no route") || len(v.Recent) != 2 {
				t.Errorf("the pages show %+v", v)
			}
			rest(3 * time.Minute)
			if v := c.View(); len(v.Troubles) != 1 || !strings.Contains(v.Troubles[0], "hook") { // hook hangs on
				t.Errorf("the pages show %+v", v.Troubles)
			}
			if len(post.got) != 2 || post.got[1].Link != "https://cellar.example:8017/#printer=Curlew" {
				t.Errorf("the post got %+v", post.got)
			}
			var pauses []string
			for _, at := range post.tries {
				pauses = append(pauses, fmt.Sprint(at.Sub(began).Round(10*time.Second)))
			}
			if got := strings.Join(pauses, " "); got != "0s 10s 30s 1m10s" {
				t.Errorf("tried at %s", got)
			}
			house.Change(func(v *web.View) { v.Printers[4].Run.Eyes = "asked" })
			rest(10 * time.Second)
			if len(post.got) != 3 || post.got[2].Kind != Eyes {
				t.Errorf("the post got %+v", post.got)
			}
			if ch := c.Channels(); ch[0].Told != 3 || ch[0].Failed != 3 || ch[0].Trouble != "" || ch[1].Waiting != 1 || ch[2].Told != 3 {
				t.Errorf("%+v", ch)
			}
		})
		stuck.hang = false
		run(func(c *Caller) {
			rest(20 * time.Minute) // hook's pauses run on
			if len(post.got) != 3 || len(stuck.got) != 1 {
				t.Errorf("after a restart: post %d, hook %d", len(post.got), len(stuck.got))
			}
			if err := c.Test(t.Context(), "POST"); err != nil || len(post.got) != 4 || post.got[3].Kind != Test {
				t.Errorf("a test: %v", err)
			}
			post.fails = 1
			if err := c.Test(t.Context(), "post"); !errors.Is(err, queue.ErrUnavailable) || !strings.Contains(err.Error(), "no route") {
				t.Errorf("a test that fails: %v", err)
			}
			if err := c.Test(t.Context(), "pigeon"); !errors.Is(err, queue.ErrNotFound) {
				t.Errorf("a test of nothing: %v", err)
			}
			if err := c.Test(t.Context(), PagesName); err != nil || c.View().Recent[0].Kind != Test {
				t.Errorf("a test of the pages: %v, %+v", err, c.View().Recent)
			}
		})
	})
}

// A sender that breaks breaks its own channel only.
func TestSenderBreaks(t *testing.T) {
	c, err := New(Options{Source: webtest.New(noon), Path: filepath.Join(t.TempDir(), "c"), Channels: []Channel{{Name: "x", Sender: broken{}}}})
	if err != nil {
		t.Fatal(err)
	}
	if err := c.Test(t.Context(), "x"); !errors.Is(err, queue.ErrUnavailable) {
		t.Error(err)
	}
}

type broken struct{}

func (broken) Send(context.Context, []web.Call) error { panic(bytes.ErrTooLarge) }

const opensslSum = "753dcc0e598a27727081529f1014852d3958106c16845940e12f47facfab1583"

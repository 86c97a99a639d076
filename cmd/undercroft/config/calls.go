package config

import (
	"net"
	"net/mail"
	"net/url"
	"os"
	"slices"
	"strings"

	"undercroft/queue"
	"undercroft/web/call"
)

// Call is one way of calling people.
type Call struct {
	Name        string
	To          string // "pages", "mail" or "webhook"
	For         []string
	Quiet       queue.Schedule
	HoldsAlarms bool // alarms wait in quiet hours, too

	Server       string // mail: host:port
	TLS          string // mail: call.MailTLS and so on
	User         string
	PasswordFile string
	From         string
	Addresses    []string
	Trusted      string // mail: PEM file of certificates to trust beside the system's; empty: none

	URL        string // webhook
	SecretFile string
}

// calls reads [[call]]; there may be none.
func (r *reader) calls(c *Config, root *table) {
	root.asked = append(root.asked, "call")
	e := root.entry("call")
	if e == nil {
		return
	}
	if !e.lists {
		r.problem(e.at, e.length, "[call] stands for one; write [[call]], as there may be several")
		return
	}
	for _, t := range tablesOf(e) {
		c.Calls = append(c.Calls, r.call(t))
	}
	r.unique(e, "name", "call", "")
	pages := 0
	for i, k := range c.Calls {
		if k.To != call.PagesName {
			continue
		}
		if pages++; pages > 1 {
			at := tablesOf(e)[i].value("to")
			r.problem(at.at, at.length, "there is one [[call]] to the pages; every page shows the same")
		}
	}
}

func (r *reader) call(t *table) Call {
	var k Call
	k.Name = r.name(t, "call")
	const want = `"pages", "mail" or "webhook"`
	to := t.need("to", "where it goes: "+want)
	k.To = r.text(to, "to", want)
	kinds := t.ask("for")
	k.For = r.texts(kinds, "for", "a list of what to be called for, such as [\"alarm\", \"plate\"]")
	for i, kind := range k.For {
		if len(k.For) == len(kinds.items) && !slices.Contains(call.Kinds, kind) {
			at := kinds.items[i]
			r.problem(at.at, at.length, "for: %q is nothing that anybody is called for; known are %s", kind, strings.Join(call.Kinds, ", "))
		}
	}
	quiet := t.ask("quiet")
	if s := r.text(quiet, "quiet", `hours, such as "daily 22:30-07:00"`); s != "" {
		var err error
		if k.Quiet, err = queue.ParseSchedule(s); err != nil {
			r.problem(quiet.at, quiet.length, "quiet: %s", queue.Words(err))
		}
	}
	alarms := t.ask("quiet_holds_alarms")
	switch {
	case alarms == nil && quiet != nil:
		r.problem(quiet.at, quiet.length, "quiet: say too whether alarms of heat and links wait until morning: quiet_holds_alarms = false or true")
	case alarms != nil:
		k.HoldsAlarms = r.flag(alarms, "quiet_holds_alarms")
	}
	switch k.To {
	case call.PagesName, "":
	case "mail":
		r.mail(&k, t)
	case "webhook":
		r.webhook(&k, t)
	default:
		r.problem(to.at, to.length, "to: %q is no way of calling people; wanted is %s", k.To, want)
		return k
	}
	t.done()
	return k
}

func (r *reader) mail(k *Call, t *table) {
	server := t.need("server", `the mail server and its port, such as "mail.example.org:465"`)
	k.Server = r.text(server, "server", `the mail server and its port, such as "mail.example.org:465"`)
	host, port, err := net.SplitHostPort(k.Server)
	if k.Server != "" && (err != nil || host == "" || port == "") {
		r.problem(server.at, server.length, "server: %q is not a name with a port, such as \"mail.example.org:465\"", k.Server)
	}
	k.TLS = call.MailStartTLS
	if port == "465" { // RFC 8314
		k.TLS = call.MailTLS
	}
	v := t.ask("tls")
	if s := r.text(v, "tls", `"tls", "starttls" or "off"`); s != "" {
		k.TLS = s
		if s != call.MailTLS && s != call.MailStartTLS && s != call.MailPlain {
			r.problem(v.at, v.length, "tls: %q is neither \"tls\" nor \"starttls\" nor \"off\"", s)
		}
	}
	k.User = r.text(t.ask("user"), "user", "the name to log in with")
	password := t.ask("password_file")
	k.PasswordFile = r.secretFile(password, "password_file")
	switch {
	case k.User != "" && password == nil:
		u := t.value("user")
		r.problem(u.at, u.length, "user: give password_file too, a file with the password and nothing else")
	case k.TLS == call.MailPlain && k.User != "" && !isLoopback(host):
		r.problem(v.at, v.length, "tls: a password does not cross a network in clear; \"off\" with a user is for a mail server on this computer")
	case k.TLS == call.MailPlain && !isLoopback(host):
		r.warn(v.at, v.length, "tls: mail crosses the network in clear")
	}
	from := t.need("from", "the address that the mail comes from")
	k.From = r.text(from, "from", "a mail address")
	r.address(from, "from", k.From)
	list := t.need("addresses", "who gets the mail, a list of addresses")
	k.Addresses = r.texts(list, "addresses", "a list of mail addresses")
	for i, a := range k.Addresses {
		if len(k.Addresses) == len(list.items) {
			r.address(list.items[i], "addresses", a)
		}
	}
	if list != nil && list.items != nil && len(list.items) > 20 {
		r.problem(list.at, list.length, "addresses: %d are too many; at most 20", len(list.items))
	}
	trusted := t.ask("trusted_certificate")
	k.Trusted = r.besides(r.text(trusted, "trusted_certificate", "the name of a PEM file"))
	r.exists(trusted, "trusted_certificate", k.Trusted)
}

func (r *reader) address(v *value, key, s string) {
	if s == "" {
		return
	}
	if _, err := mail.ParseAddress(s); err != nil {
		r.problem(v.at, v.length, "%s: %q is not a mail address", key, s)
	}
}

func (r *reader) webhook(k *Call, t *table) {
	v := t.need("url", "the address to post to")
	k.URL = r.text(v, "url", `an address such as "https://home.example.org/hook"`)
	u, err := url.Parse(k.URL)
	switch {
	case k.URL == "":
	case err != nil || u.Host == "" || u.Scheme != "http" && u.Scheme != "https":
		r.problem(v.at, v.length, "url: %q is not an http or https address", k.URL)
	case u.Scheme == "http" && !isLoopback(u.Hostname()):
		r.warn(v.at, v.length, "url: what is said crosses the network in clear; it is signed, not hidden")
	}
	k.SecretFile = r.secretFile(t.need("secret_file", "a file with the secret that requests are signed with, at least 16 characters"), "secret_file")
}

// secretFile is the name of a file that holds a secret; others should not read it.
func (r *reader) secretFile(v *value, key string) string {
	name := r.besides(r.text(v, key, "the name of a file"))
	if r.exists(v, key, name) {
		if info, err := os.Stat(name); err == nil && info.Mode().Perm()&0o007 != 0 {
			r.warn(v.at, v.length, "%s: everybody on this computer can open %s; 'chmod o= %s' mends it", key, name, name)
		}
	}
	return name
}

func (r *reader) exists(v *value, key, name string) bool {
	if name == "" {
		return false
	}
	info, err := os.Stat(name)
	if err != nil || !info.Mode().IsRegular() || info.Size() > 64<<10 {
		r.problem(v.at, v.length, "%s: there is no file %s, or it is none of at most 64 kB", key, name)
		return false
	}
	return true
}

package main

import (
	"bytes"
	"context"
	"crypto/tls"
	"crypto/x509"
	"fmt"
	"log/slog"
	"net"
	"net/url"
	"os"
	"path/filepath"
	"strings"
	"time"

	"undercroft/cmd/undercroft/config"
	"undercroft/web"
	"undercroft/web/call"
)

// callsFile remembers what people were told.
const callsFile = "calls.json"

// mailGap is the least time between two mails: what comes in it goes in one.
const mailGap = 30 * time.Second

// newCaller makes what calls people, from the configuration.
func newCaller(conf *config.Config, src call.Source, touch func(), base string, log *slog.Logger) (*call.Caller, error) {
	o := call.Options{Source: src, Path: filepath.Join(conf.House.DataDir, callsFile), Base: base, Told: touch, Log: log}
	for _, k := range conf.Calls {
		ch := call.Channel{Name: k.Name, To: k.To, Rules: call.Rules{For: k.For, Quiet: k.Quiet, HoldsAlarms: k.HoldsAlarms}}
		var err error
		switch k.To {
		case "mail":
			ch.Sender, err = mailSender(&k)
			ch.Where, ch.Gap = strings.Join(k.Addresses, ", ")+" by "+k.Server, mailGap
		case "webhook":
			ch.Sender, ch.Where, err = hookSender(&k)
		default:
			ch.Sender = call.Pages{}
		}
		if err != nil {
			return nil, fmt.Errorf("the call %q of %s: %w", k.Name, conf.Path, err)
		}
		o.Channels = append(o.Channels, ch)
	}
	return call.New(o)
}

func mailSender(k *config.Call) (call.Sender, error) {
	m := call.Mail{Server: k.Server, TLS: k.TLS, User: k.User, From: k.From, To: k.Addresses}
	if k.PasswordFile != "" {
		secret, err := readSecret(k.PasswordFile)
		if err != nil {
			return nil, err
		}
		m.Password = string(secret)
	}
	if k.Trusted != "" {
		pem, err := os.ReadFile(k.Trusted)
		if err != nil {
			return nil, err
		}
		roots, err := x509.SystemCertPool()
		if err != nil {
			roots = x509.NewCertPool()
		}
		if !roots.AppendCertsFromPEM(pem) {
			return nil, fmt.Errorf("%s holds no certificate in PEM", k.Trusted)
		}
		m.Trust = &tls.Config{RootCAs: roots, MinVersion: tls.VersionTLS12}
	}
	return call.NewMail(m)
}

func hookSender(k *config.Call) (call.Sender, string, error) {
	secret, err := readSecret(k.SecretFile)
	if err != nil {
		return nil, "", err
	}
	if len(secret) < 16 {
		return nil, "", fmt.Errorf("the secret in %s has %d characters; 16 are the least. 'openssl rand -hex 32' makes one", k.SecretFile, len(secret))
	}
	u, err := url.Parse(k.URL)
	if err != nil {
		return nil, "", err
	}
	w, err := call.NewWebhook(k.URL, secret)
	return w, u.Host, err // the path may be a secret too
}

// readSecret is a file's content without the white space around it.
func readSecret(name string) ([]byte, error) {
	data, err := os.ReadFile(name)
	if err != nil {
		return nil, fmt.Errorf("a secret cannot be read: %w", err)
	}
	if data = bytes.TrimSpace(data); len(data) == 0 || len(data) > 4096 {
		return nil, fmt.Errorf("the secret in %s is empty, or longer than 4096 characters", name)
	}
	return data, nil
}

// pagesAddress is how people reach the pages, without a slash at the end: by the
// first of the house's names, else by its address.
func pagesAddress(conf *config.Config, listener net.Addr, encrypted bool) string {
	scheme := "http://"
	if encrypted {
		scheme = "https://"
	}
	host, port, err := net.SplitHostPort(listener.String())
	if err != nil {
		return ""
	}
	if given, _, err := net.SplitHostPort(conf.House.Listen); err == nil && given != "" {
		host = given
	}
	if ip := net.ParseIP(host); ip != nil && ip.IsUnspecified() {
		if name, err := os.Hostname(); err == nil {
			host = name
		}
	}
	if len(conf.House.Hosts) > 0 {
		host = conf.House.Hosts[0]
	}
	return scheme + net.JoinHostPort(host, port)
}

func (h *house) CallChannels(context.Context) ([]web.CallChannel, error) {
	return h.calls.Channels(), nil
}

func (h *house) TestCall(ctx context.Context, name string) error { return h.calls.Test(ctx, name) }

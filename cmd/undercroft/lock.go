package main

import (
	"crypto/tls"
	"fmt"
	"net"
	"os"
	"path/filepath"
	"sync"
	"time"

	"undercroft/cmd/undercroft/config"
	"undercroft/web"
	"undercroft/web/door"
)

// openDoor fills in what the web side needs to know whom to let in, and how.
func openDoor(conf *config.Config, o *web.Options) (fingerprint string, err error) {
	dir := conf.House.DataDir
	if o.Book, err = door.OpenBook(filepath.Join(dir, peopleFile), nil); err != nil {
		return "", err
	}
	if o.HouseKey, err = door.OpenHouseKey(filepath.Join(dir, houseKey)); err != nil {
		return "", err
	}
	if o.TLS, fingerprint, err = certificates(conf); err != nil {
		return "", err
	}
	o.Audit, err = door.OpenAudit(filepath.Join(dir, auditFile))
	return fingerprint, err
}

// certificates is how the pages are encrypted, nil for not at all.
func certificates(conf *config.Config) (*tls.Config, string, error) {
	h := conf.House
	switch {
	case h.TLSCertificate != "":
		f := &certificateFiles{cert: h.TLSCertificate, key: h.TLSKey}
		c, err := f.get(nil)
		if err != nil {
			return nil, "", err
		}
		return &tls.Config{GetCertificate: f.get}, door.Fingerprint(c.Certificate[0]), nil
	case h.TLS == config.TLSOff:
		return nil, "", nil
	}
	var given []string
	if host, _, err := net.SplitHostPort(h.Listen); err == nil && host != "" {
		if ip := net.ParseIP(host); ip == nil || !ip.IsUnspecified() {
			given = append(given, host)
		}
	}
	dir := filepath.Join(h.DataDir, "tls")
	if err := os.MkdirAll(dir, 0o750); err != nil {
		return nil, "", fmt.Errorf("the folder for the certificate cannot be made: %w", err)
	}
	c, err := door.SelfMade(dir, append(given, h.Hosts...), door.OwnNames(), time.Now())
	if err != nil {
		return nil, "", err
	}
	return &tls.Config{Certificates: []tls.Certificate{c}}, door.Fingerprint(c.Certificate[0]), nil
}

// certificateFiles is the owner's certificate. It is read anew when its file
// changed, so that a renewal needs no restart.
type certificateFiles struct {
	cert, key string

	mu   sync.Mutex
	at   time.Time
	held *tls.Certificate
}

func (f *certificateFiles) get(*tls.ClientHelloInfo) (*tls.Certificate, error) {
	f.mu.Lock()
	defer f.mu.Unlock()
	info, err := os.Stat(f.cert)
	if err == nil && (f.held == nil || !info.ModTime().Equal(f.at)) {
		var c tls.Certificate
		if c, err = tls.LoadX509KeyPair(f.cert, f.key); err == nil {
			f.held, f.at = &c, info.ModTime()
		}
	}
	if f.held == nil {
		return nil, fmt.Errorf("the certificate cannot be read: %w", err)
	}
	return f.held, nil // a renewal that is half written is tried again at the next call
}

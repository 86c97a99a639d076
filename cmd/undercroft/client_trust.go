package main

import (
	"crypto/sha256"
	"crypto/subtle"
	"crypto/tls"
	"encoding/hex"
	"encoding/pem"
	"errors"
	"net"
	"net/url"
	"os"
	"path/filepath"
	"strings"

	"undercroft/cmd/undercroft/config"
	"undercroft/web"
	"undercroft/web/door"
)

// trusted is the TLS configuration that takes the certificate with that
// fingerprint and no other; nil when none was given: what the system knows.
func trusted(fingerprint string) (*tls.Config, error) {
	if fingerprint == "" {
		return nil, nil
	}
	want, err := hex.DecodeString(strings.ToLower(strings.NewReplacer(":", "", " ", "").Replace(fingerprint)))
	if err != nil || len(want) != sha256.Size {
		return nil, exitf(exitUsage, "--trust %q is not a SHA-256 fingerprint: 32 bytes in hexadecimal", fingerprint)
	}
	return &tls.Config{
		// The one certificate that is meant is better than any authority's word.
		InsecureSkipVerify: true,
		VerifyConnection: func(s tls.ConnectionState) error {
			if len(s.PeerCertificates) == 0 {
				return errors.New("no certificate was shown")
			}
			got := sha256.Sum256(s.PeerCertificates[0].Raw)
			if subtle.ConstantTimeCompare(got[:], want) != 1 {
				return errors.New("it shows another certificate, " + door.Fingerprint(s.PeerCertificates[0].Raw))
			}
			return nil
		},
	}, nil
}

// ownHouse fills in what was left out of f from the configuration on this
// computer, if it has one: where its daemon listens, the certificate that it
// shows, and the key in its folder, where this user may read them. The key goes
// to this computer only.
func ownHouse(f clientFlags) clientFlags {
	conf, err := loadConfig("")
	if err != nil {
		conf = nil
	}
	if f.Server == "" {
		f.Server = "http://" + web.DefaultListen
		if conf != nil {
			f.Server = addressOf(conf)
		}
	}
	base, err := url.Parse(f.Server)
	if conf == nil || err != nil {
		return f
	}
	host := base.Hostname()
	here := host == "localhost" || net.ParseIP(host).IsLoopback() || f.Server == addressOf(conf)
	if f.Key == "" && here {
		if key, err := door.ReadHouseKey(filepath.Join(conf.House.DataDir, houseKey)); err == nil {
			f.Key = key
		}
	}
	if f.Trust == "" && f.Server == addressOf(conf) && conf.House.TLSCertificate == "" {
		f.Trust = ownFingerprint(conf)
	}
	return f
}

// addressOf is where the commands on this computer find the daemon.
func addressOf(conf *config.Config) string {
	scheme := "http://"
	if conf.House.TLS != config.TLSOff || conf.House.TLSCertificate != "" {
		scheme = "https://"
	}
	host, port, err := net.SplitHostPort(conf.House.Listen)
	if err != nil {
		return scheme + conf.House.Listen
	}
	if ip := net.ParseIP(host); host == "" || ip != nil && ip.IsUnspecified() {
		host = "127.0.0.1"
	}
	return scheme + net.JoinHostPort(host, port)
}

// ownFingerprint is of the certificate that this computer's daemon made, empty
// where there is none or this user may not read it.
func ownFingerprint(conf *config.Config) string {
	text, err := os.ReadFile(filepath.Join(conf.House.DataDir, "tls", "self-made.crt"))
	if err != nil {
		return ""
	}
	block, _ := pem.Decode(text)
	if block == nil {
		return ""
	}
	return door.Fingerprint(block.Bytes)
}

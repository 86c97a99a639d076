package main

import (
	"crypto/sha256"
	"crypto/subtle"
	"crypto/tls"
	"encoding/hex"
	"errors"
	"path/filepath"
	"strings"

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

// ownKey is the key in the daemon's folder on this computer, empty where there
// is no configuration, no key, or this user may not read it.
func ownKey() string {
	conf, err := loadConfig("")
	if err != nil {
		return ""
	}
	key, err := door.ReadHouseKey(filepath.Join(conf.House.DataDir, houseKey))
	if err != nil {
		return ""
	}
	return key
}

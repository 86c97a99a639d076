package door

import (
	"crypto/ecdsa"
	"crypto/elliptic"
	"crypto/rand"
	"crypto/sha256"
	"crypto/tls"
	"crypto/x509"
	"crypto/x509/pkix"
	"encoding/pem"
	"errors"
	"fmt"
	"math/big"
	"net"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"time"
)

// A self-made certificate lasts longer than browsers take from an authority:
// whoever trusts it does so by its fingerprint.
const (
	selfMadeTime = 5 * 365 * 24 * time.Hour
	renewBefore  = 30 * 24 * time.Hour
)

// SelfMade returns the certificate in dir, and makes one where there is none, it
// ends soon, or it lacks one of the names that the owner gave. What the computer
// is called besides goes into a new one, and is no reason to make one: addresses
// change, and people have the fingerprint to compare.
func SelfMade(dir string, given, besides []string, now time.Time) (tls.Certificate, error) {
	certAt, keyAt := filepath.Join(dir, "self-made.crt"), filepath.Join(dir, "self-made.key")
	cert, err := tls.LoadX509KeyPair(certAt, keyAt)
	if err == nil && !now.Add(renewBefore).Before(cert.Leaf.NotAfter) {
		err = errors.New("it ends soon")
	}
	if err == nil && !covers(cert.Leaf, given) {
		err = errors.New("the house has another name")
	}
	if err == nil {
		return cert, nil
	}
	if err := makeCertificate(certAt, keyAt, slices.Concat(given, besides), now); err != nil {
		return tls.Certificate{}, fmt.Errorf("a certificate cannot be made: %w", err)
	}
	return tls.LoadX509KeyPair(certAt, keyAt)
}

func covers(c *x509.Certificate, names []string) bool {
	for _, n := range names {
		if c.VerifyHostname(n) != nil {
			return false
		}
	}
	return true
}

func makeCertificate(certAt, keyAt string, names []string, now time.Time) error {
	key, err := ecdsa.GenerateKey(elliptic.P256(), rand.Reader)
	if err != nil {
		return err
	}
	serial, err := rand.Int(rand.Reader, new(big.Int).Lsh(big.NewInt(1), 120))
	if err != nil {
		return err
	}
	c := &x509.Certificate{
		SerialNumber: serial, Subject: pkix.Name{CommonName: "Undercroft"},
		// A small computer may wake with a clock of yesterday.
		NotBefore: now.Add(-48 * time.Hour), NotAfter: now.Add(selfMadeTime),
		KeyUsage: x509.KeyUsageDigitalSignature, ExtKeyUsage: []x509.ExtKeyUsage{x509.ExtKeyUsageServerAuth},
		BasicConstraintsValid: true,
	}
	slices.Sort(names)
	for _, n := range slices.Compact(names) {
		if ip := net.ParseIP(n); ip != nil {
			c.IPAddresses = append(c.IPAddresses, ip)
		} else {
			c.DNSNames = append(c.DNSNames, n)
		}
	}
	der, err := x509.CreateCertificate(rand.Reader, c, c, &key.PublicKey, key)
	if err != nil {
		return err
	}
	private, err := x509.MarshalPKCS8PrivateKey(key)
	if err != nil {
		return err
	}
	// The key first: a certificate without its key is made anew at the next start.
	if err := replace(keyAt, pem.EncodeToMemory(&pem.Block{Type: "PRIVATE KEY", Bytes: private})); err != nil {
		return err
	}
	return replace(certAt, pem.EncodeToMemory(&pem.Block{Type: "CERTIFICATE", Bytes: der}))
}

// Fingerprint is the SHA-256 of a certificate as browsers show it: bytes in
// hexadecimal with colons.
func Fingerprint(der []byte) string {
	sum := sha256.Sum256(der)
	parts := make([]string, len(sum))
	for i, b := range sum {
		parts[i] = fmt.Sprintf("%02X", b)
	}
	return strings.Join(parts, ":")
}

// OwnNames are what this computer is called: its name and its addresses.
func OwnNames() []string {
	names := []string{"localhost", "127.0.0.1", "::1"}
	addrs, err := net.InterfaceAddrs()
	if err != nil {
		addrs = nil // the certificate lacks a name, and the browser says so
	}
	for _, a := range addrs {
		if n, ok := a.(*net.IPNet); ok && !n.IP.IsLinkLocalUnicast() {
			names = append(names, n.IP.String())
		}
	}
	if h, err := os.Hostname(); err == nil && h != "" {
		names = append(names, h)
	}
	return names
}

package door

import (
	"crypto/rand"
	"crypto/subtle"
	"encoding/base64"
	"errors"
	"fmt"
	"strings"
	"sync"
	"unicode/utf8"

	"golang.org/x/crypto/argon2"
)

// Argon2id (RFC 9106) with 19 MiB and two passes: the least that the OWASP
// password storage cheat sheet recommends (from memory), and what a small
// computer has to spare.
const (
	hashKiB    = 19 * 1024
	hashPasses = 2
	hashLanes  = 1
	hashLen    = 32
	saltLen    = 16
)

// The bounds of a password. NIST SP 800-63B (from memory) asks for eight
// characters at least, for no rules on their kinds, and for long ones to be
// taken; ten, because this door has no second lock.
const (
	minPassword = 10
	maxPassword = 256
)

// oneHash keeps a crowd at the door from taking the memory of the whole daemon.
var oneHash sync.Mutex

func derive(password, salt []byte, kib, passes uint32, lanes uint8, length uint32) []byte {
	oneHash.Lock()
	defer oneHash.Unlock()
	return argon2.IDKey(password, salt, passes, kib, lanes, length)
}

// hashPassword returns the password's hash as a PHC string.
func hashPassword(password string) (string, error) {
	salt := make([]byte, saltLen)
	if _, err := rand.Read(salt); err != nil {
		return "", err
	}
	sum := derive([]byte(password), salt, hashKiB, hashPasses, hashLanes, hashLen)
	enc := base64.RawStdEncoding
	return fmt.Sprintf("$argon2id$v=%d$m=%d,t=%d,p=%d$%s$%s", argon2.Version, hashKiB, hashPasses, hashLanes, enc.EncodeToString(salt), enc.EncodeToString(sum)), nil
}

// passwordFits checks a password against a PHC string. What the string asks for
// is bounded: whoever can write the file must not be able to hang the daemon.
func passwordFits(phc, password string) bool {
	if len(password) > maxPassword {
		return false
	}
	fields := strings.Split(phc, "$")
	if len(fields) != 6 || fields[1] != "argon2id" {
		return false
	}
	var version int
	var kib, passes uint32
	var lanes uint8
	if _, err := fmt.Sscanf(fields[2], "v=%d", &version); err != nil || version != argon2.Version {
		return false
	}
	if _, err := fmt.Sscanf(fields[3], "m=%d,t=%d,p=%d", &kib, &passes, &lanes); err != nil {
		return false
	}
	if kib < 8 || kib > 256*1024 || passes < 1 || passes > 16 || lanes < 1 || lanes > 16 {
		return false
	}
	salt, err1 := base64.RawStdEncoding.DecodeString(fields[4])
	sum, err2 := base64.RawStdEncoding.DecodeString(fields[5])
	if err1 != nil || err2 != nil || len(sum) < 16 || len(sum) > 64 {
		return false
	}
	got := derive([]byte(password), salt, kib, passes, lanes, uint32(len(sum)))
	return subtle.ConstantTimeCompare(got, sum) == 1
}

// checkPassword says what is wrong with a new password.
func checkPassword(name, password string) error {
	switch n := utf8.RuneCountInString(password); {
	case !utf8.ValidString(password):
		return errors.New("the password is not text")
	case n < minPassword:
		return fmt.Errorf("the password has %d characters; it needs %d at least, and a sentence does better than signs", n, minPassword)
	case len(password) > maxPassword:
		return fmt.Errorf("the password has %d bytes; %d are the most", len(password), maxPassword)
	case strings.Count(password, password[:1]) == len(password):
		return errors.New("the password is one character over and over")
	case strings.Contains(strings.ToLower(password), strings.ToLower(name)):
		return errors.New("the password contains the name")
	}
	return nil
}

package door

import (
	"crypto/hmac"
	"crypto/rand"
	"crypto/sha256"
	"encoding/base64"
	"encoding/json"
	"slices"
	"strings"
	"time"
)

const (
	cookieName  = "undercroft"
	sessionTime = 30 * 24 * time.Hour
)

// session is what a browser's cookie says, under a signature.
type session struct {
	Name  string `json:"n"`
	Epoch int    `json:"e"`
	ID    string `json:"i"`
	Until int64  `json:"u"` // Unix seconds
}

// Open begins a session for p and returns the cookie's value and its end.
func (b *Book) Open(p Person) (string, time.Time, error) {
	c, err := b.read()
	if err != nil {
		return "", time.Time{}, err
	}
	until := b.now().Add(sessionTime)
	id := make([]byte, 12)
	rand.Read(id) // never fails, see its package
	text, err := json.Marshal(session{Name: p.Name, Epoch: p.Epoch, ID: base64.RawURLEncoding.EncodeToString(id), Until: until.Unix()})
	if err != nil {
		return "", time.Time{}, err
	}
	body := base64.RawURLEncoding.EncodeToString(text)
	return body + "." + sign(c.Secret, body), until, nil
}

// Session reads a cookie's value: whose it is, if it still holds.
func (b *Book) Session(value string) (Person, bool, error) {
	c, err := b.read()
	if err != nil {
		return Person{}, false, err
	}
	s, ok := c.session(value)
	if !ok || !b.now().Before(time.Unix(s.Until, 0)) {
		return Person{}, false, nil
	}
	if slices.ContainsFunc(c.Left, func(l leaving) bool { return l.ID == s.ID }) {
		return Person{}, false, nil
	}
	p := c.person(s.Name)
	if p == nil || p.Epoch != s.Epoch {
		return Person{}, false, nil
	}
	return *p, true, nil
}

// Leave ends one session, and forgets those that have ended by themselves.
func (b *Book) Leave(value string) error {
	if _, ok, err := b.Session(value); err != nil || !ok {
		return err
	}
	return b.change(func(c *contents) error {
		s, ok := c.session(value)
		if !ok {
			return nil
		}
		now := b.now()
		c.Left = slices.DeleteFunc(c.Left, func(l leaving) bool { return !now.Before(l.Until) })
		if len(c.Left) >= maxLeft {
			// Rather everybody logs in anew than a session that was ended lives on.
			for i := range c.People {
				c.People[i].Epoch++
			}
			c.Left = nil
			return nil
		}
		c.Left = append(c.Left, leaving{ID: s.ID, Until: time.Unix(s.Until, 0).UTC()})
		return nil
	})
}

// session is what a value says, if the signature is ours.
func (c *contents) session(value string) (session, bool) {
	var s session
	body, sig, ok := strings.Cut(value, ".")
	if !ok || len(c.Secret) == 0 || !hmac.Equal([]byte(sig), []byte(sign(c.Secret, body))) {
		return s, false
	}
	text, err := base64.RawURLEncoding.DecodeString(body)
	if err != nil || json.Unmarshal(text, &s) != nil {
		return s, false
	}
	return s, true
}

func sign(secret []byte, body string) string {
	mac := hmac.New(sha256.New, secret)
	mac.Write([]byte("session\x00" + body))
	return base64.RawURLEncoding.EncodeToString(mac.Sum(nil))
}

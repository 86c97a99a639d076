package door

import (
	"crypto/rand"
	"crypto/sha256"
	"crypto/subtle"
	"encoding/base64"
	"encoding/hex"
	"encoding/json"
	"errors"
	"fmt"
	"io/fs"
	"os"
	"path/filepath"
	"regexp"
	"slices"
	"strings"
	"sync"
	"time"

	"github.com/gofrs/flock"
)

// Person may log in at a browser.
type Person struct {
	Name  string    `json:"name"`
	Role  Role      `json:"role"`
	Since time.Time `json:"since"`

	Hash  string `json:"hash"`  // PHC string
	Epoch int    `json:"epoch"` // raised to end every session
}

// Key lets a program in. The key itself is told once and kept nowhere.
type Key struct {
	Name  string    `json:"name"`
	Role  Role      `json:"role"`
	Since time.Time `json:"since"`

	Sum string `json:"sum"` // SHA-256 of the key, hexadecimal
}

// contents is the book's file.
type contents struct {
	Secret []byte    `json:"secret"` // signs sessions
	People []Person  `json:"people"`
	Keys   []Key     `json:"keys"`
	Left   []leaving `json:"left"` // sessions that were ended before their time
}

type leaving struct {
	ID    string    `json:"id"`
	Until time.Time `json:"until"`
}

// Book is who may come in. It is one small file, so that the command line can
// change it while the daemon runs and while it does not; each look at the book
// sees the newest file.
type Book struct {
	path string
	now  func() time.Time

	mu    sync.Mutex
	stamp os.FileInfo // of what c was read from; nil: nothing was
	c     contents
}

// Bounds of the book.
const (
	maxNames   = 200
	maxLeft    = 1000
	maxBook    = 1 << 20 // bytes
	namePlaces = 40
)

var namePattern = regexp.MustCompile(`^[\pL\pN][\pL\pN ._-]*$`)

// OpenBook returns the book that lies at path, which need not exist yet. A file
// that cannot be read is an error: a damaged book must not become an open door.
func OpenBook(path string, now func() time.Time) (*Book, error) {
	if now == nil {
		now = time.Now
	}
	b := &Book{path: path, now: now}
	_, err := b.read()
	return b, err
}

// read returns the newest contents; the slices are shared and not to be changed.
func (b *Book) read() (contents, error) {
	b.mu.Lock()
	defer b.mu.Unlock()
	info, err := os.Stat(b.path)
	if errors.Is(err, fs.ErrNotExist) {
		b.stamp, b.c = nil, contents{}
		return b.c, nil
	}
	if err != nil {
		return contents{}, fmt.Errorf("the list of people cannot be read: %w", err)
	}
	if b.stamp != nil && os.SameFile(info, b.stamp) && info.ModTime().Equal(b.stamp.ModTime()) && info.Size() == b.stamp.Size() {
		return b.c, nil
	}
	c, err := load(b.path)
	if err != nil {
		return contents{}, err
	}
	b.stamp, b.c = info, c
	return c, nil
}

func load(path string) (contents, error) {
	var c contents
	text, err := os.ReadFile(path)
	if err != nil {
		return c, fmt.Errorf("the list of people cannot be read: %w", err)
	}
	if len(text) > maxBook {
		return c, fmt.Errorf("the list of people at %s is larger than anything that was written there", path)
	}
	if err := json.Unmarshal(text, &c); err != nil {
		return c, fmt.Errorf("the list of people at %s is damaged: %w. Move it away and add them anew", path, err)
	}
	if len(c.Secret) < 16 {
		return c, fmt.Errorf("the list of people at %s is damaged: it has no secret. Move it away and add them anew", path)
	}
	return c, nil
}

// change reads, changes and writes the book under a lock that other processes
// respect. The file is replaced whole, or not at all.
func (b *Book) change(f func(*contents) error) error {
	if err := os.MkdirAll(filepath.Dir(b.path), 0o750); err != nil {
		return fmt.Errorf("the list of people cannot be written: %w", err)
	}
	lock := flock.New(b.path + ".lock")
	if err := lock.Lock(); err != nil {
		return fmt.Errorf("the list of people cannot be locked: %w", err)
	}
	defer lock.Unlock()
	c, err := load(b.path)
	if errors.Is(err, fs.ErrNotExist) {
		c, err = contents{Secret: make([]byte, 32)}, nil
		if _, err := rand.Read(c.Secret); err != nil {
			return err
		}
	}
	if err != nil {
		return err
	}
	if err := f(&c); err != nil {
		return err
	}
	text, err := json.MarshalIndent(c, "", "\t")
	if err != nil {
		return err
	}
	if err := replace(b.path, text); err != nil {
		return fmt.Errorf("the list of people cannot be written: %w", err)
	}
	return nil
}

// replace writes a file beside path and moves it there once it is on the disk.
// The owner of the old file stays the owner: root may add people to a book that
// the daemon reads as another user.
func replace(path string, text []byte) error {
	f, err := os.CreateTemp(filepath.Dir(path), ".new-*")
	if err != nil {
		return err
	}
	defer os.Remove(f.Name())
	_, err = f.Write(text)
	err = errors.Join(err, f.Chmod(0o600), adopt(f, filepath.Dir(path)), f.Sync(), f.Close())
	if err != nil {
		return err
	}
	return os.Rename(f.Name(), path)
}

// People lists them by name, without what is secret.
func (b *Book) People() ([]Person, error) {
	c, err := b.read()
	out := slices.Clone(c.People)
	for i := range out {
		out[i].Hash = ""
	}
	slices.SortFunc(out, func(x, y Person) int { return strings.Compare(x.Name, y.Name) })
	return out, err
}

// Keys lists them by name, without what is secret.
func (b *Book) Keys() ([]Key, error) {
	c, err := b.read()
	out := slices.Clone(c.Keys)
	for i := range out {
		out[i].Sum = ""
	}
	slices.SortFunc(out, func(x, y Key) int { return strings.Compare(x.Name, y.Name) })
	return out, err
}

// Empty tells whether nobody was ever let in by it.
func (b *Book) Empty() (bool, error) {
	c, err := b.read()
	return len(c.People) == 0 && len(c.Keys) == 0, err
}

// Errors of a change to the book.
var (
	ErrTaken   = errors.New("the name is taken")
	ErrUnknown = errors.New("there is nobody of that name")
)

// AddPerson writes a new person down.
func (b *Book) AddPerson(name string, role Role, password string) error {
	if err := errors.Join(checkName(name), checkRole(role)); err != nil {
		return err
	}
	if err := checkPassword(name, password); err != nil {
		return err
	}
	hash, err := hashPassword(password)
	if err != nil {
		return err
	}
	return b.change(func(c *contents) error {
		if err := c.free(name); err != nil {
			return err
		}
		c.People = append(c.People, Person{Name: name, Role: role, Since: b.now().UTC().Truncate(time.Second), Hash: hash, Epoch: 1})
		return nil
	})
}

// SetPassword gives a person another password and ends their sessions.
func (b *Book) SetPassword(name, password string) error {
	if err := checkPassword(name, password); err != nil {
		return err
	}
	hash, err := hashPassword(password)
	if err != nil {
		return err
	}
	return b.change(func(c *contents) error {
		p := c.person(name)
		if p == nil {
			return fmt.Errorf("%s: %w", name, ErrUnknown)
		}
		p.Hash = hash
		p.Epoch++
		return nil
	})
}

// SetRole gives a person another role.
func (b *Book) SetRole(name string, role Role) error {
	if err := checkRole(role); err != nil {
		return err
	}
	return b.change(func(c *contents) error {
		p := c.person(name)
		if p == nil {
			return fmt.Errorf("%s: %w", name, ErrUnknown)
		}
		p.Role = role
		return nil
	})
}

// Remove strikes a person or a key; their sessions end with them.
func (b *Book) Remove(name string) error {
	return b.change(func(c *contents) error {
		n := len(c.People) + len(c.Keys)
		c.People = slices.DeleteFunc(c.People, func(p Person) bool { return strings.EqualFold(p.Name, name) })
		c.Keys = slices.DeleteFunc(c.Keys, func(k Key) bool { return strings.EqualFold(k.Name, name) })
		if len(c.People)+len(c.Keys) == n {
			return fmt.Errorf("%s: %w", name, ErrUnknown)
		}
		return nil
	})
}

// AddKey makes a key for a program and returns it: it is told this once.
func (b *Book) AddKey(name string, role Role) (string, error) {
	if err := errors.Join(checkName(name), checkRole(role)); err != nil {
		return "", err
	}
	text := newKey()
	return text, b.change(func(c *contents) error {
		if err := c.free(name); err != nil {
			return err
		}
		c.Keys = append(c.Keys, Key{Name: name, Role: role, Since: b.now().UTC().Truncate(time.Second), Sum: keySum(text)})
		return nil
	})
}

// newKey is 32 random bytes in text.
func newKey() string {
	raw := make([]byte, 32)
	rand.Read(raw) // never fails, see its package
	return "uc-" + base64.RawURLEncoding.EncodeToString(raw)
}

func keySum(text string) string {
	// A key is random and long: it needs no slow hash.
	sum := sha256.Sum256([]byte(text))
	return hex.EncodeToString(sum[:])
}

// nobody is checked when the name is unknown, so that a guess takes as long for
// a name that exists as for one that does not.
var nobody = sync.OnceValue(func() string {
	hash, err := hashPassword("there is nobody of that name")
	if err != nil {
		panic(err) // the system gives no random bytes: nothing can be safe
	}
	return hash
})

// Admit checks a name and a password.
func (b *Book) Admit(name, password string) (Person, bool, error) {
	c, err := b.read()
	if err != nil {
		return Person{}, false, err
	}
	p := c.person(name)
	if p == nil {
		passwordFits(nobody(), password)
		return Person{}, false, nil
	}
	return *p, passwordFits(p.Hash, password), nil
}

// Key checks a key.
func (b *Book) Key(text string) (Key, bool, error) {
	c, err := b.read()
	if err != nil {
		return Key{}, false, err
	}
	sum := []byte(keySum(text))
	for _, k := range c.Keys {
		if subtle.ConstantTimeCompare([]byte(k.Sum), sum) == 1 {
			return k, true, nil
		}
	}
	return Key{}, false, nil
}

func (c *contents) person(name string) *Person {
	for i := range c.People {
		if strings.EqualFold(c.People[i].Name, name) {
			return &c.People[i]
		}
	}
	return nil
}

// free tells whether a name may be written down.
func (c *contents) free(name string) error {
	if len(c.People)+len(c.Keys) >= maxNames {
		return fmt.Errorf("there are %d people and keys already; remove one first", maxNames)
	}
	taken := c.person(name) != nil || slices.ContainsFunc(c.Keys, func(k Key) bool { return strings.EqualFold(k.Name, name) })
	if taken {
		return fmt.Errorf("%s: %w", name, ErrTaken)
	}
	return nil
}

func checkName(name string) error {
	if len(name) > namePlaces || !namePattern.MatchString(name) {
		return fmt.Errorf("%q is not a name: letters, figures, blanks, dots and dashes, %d at most", name, namePlaces)
	}
	return nil
}

func checkRole(r Role) error {
	if !r.Valid() {
		return fmt.Errorf("%q is not a role: it is %s or %s", r, Watch, Operate)
	}
	return nil
}

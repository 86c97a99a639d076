package web

import (
	"bytes"
	"crypto/sha256"
	"io"
	"net/http"
	"strings"
	"sync"
	"time"

	"undercroft/web/door"
)

// OnceHeader lets a program repeat a request whose answer it did not hear,
// without the thing being done twice: the IETF draft "The Idempotency-Key HTTP
// Header Field" (draft-ietf-httpapi-idempotency-key-header).
const OnceHeader = "Idempotency-Key"

const (
	onceKept    = 24 * time.Hour
	onceMost    = 2000     // keys
	onceAnswer  = 64 << 10 // bytes of an answer that are kept
	onceKeyMost = 200      // characters of a key
)

// once remembers the answers to requests that carry a key. It lives in memory:
// after a restart a repeated request is a new one.
type once struct {
	now     func() time.Time
	maxFile int64
	slow    time.Duration

	mu    sync.Mutex
	known map[string]*answered
	order []string // keys, oldest first
}

// answered is a request and what came of it.
type answered struct {
	at     time.Time
	what   string // method and address
	sum    [sha256.Size]byte
	done   bool
	status int
	header http.Header
	body   []byte
}

func newOnce(now func() time.Time, maxFile int64, patience time.Duration) *once {
	return &once{now: now, maxFile: maxFile, slow: patience, known: map[string]*answered{}}
}

// wrap stands behind the door: a key is the caller's own.
func (o *once) wrap(next http.Handler) http.Handler {
	return http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		key := r.Header.Get(OnceHeader)
		if key == "" || r.Method != http.MethodPost || !strings.HasPrefix(r.URL.Path, "/api/") {
			next.ServeHTTP(w, r)
			return
		}
		if len(key) > onceKeyMost {
			problem(http.StatusBadRequest, OnceHeader+" is too long; 200 characters are enough.").write(w)
			return
		}
		c := door.From(r.Context())
		id := c.How + "\n" + c.Name + "\n" + key
		what := r.Method + " " + r.URL.RequestURI()
		a, first := o.begin(id, what)
		if !first {
			o.again(w, r, a, what)
			return
		}
		sum := sha256.New()
		r.Body = &summed{r.Body, io.TeeReader(r.Body, sum)}
		k := &keeper{ResponseWriter: w, status: http.StatusOK}
		kept := false
		defer func() {
			if !kept { // it broke, or may go better the next time
				o.forget(id, a)
			}
		}()
		next.ServeHTTP(k, r)
		kept = o.keeps(k)
		if kept {
			o.mu.Lock()
			a.done, a.status, a.header, a.body = true, k.status, k.Header().Clone(), k.body.Bytes()
			sum.Sum(a.sum[:0])
			o.mu.Unlock()
		}
	})
}

// begin finds a key, or takes it.
func (o *once) begin(id, what string) (*answered, bool) {
	o.mu.Lock()
	defer o.mu.Unlock()
	now := o.now()
	for len(o.order) > 0 {
		oldest := o.known[o.order[0]]
		if oldest != nil && now.Sub(oldest.at) < onceKept && len(o.known) < onceMost {
			break
		}
		delete(o.known, o.order[0])
		o.order = o.order[1:]
	}
	if a := o.known[id]; a != nil {
		return a, false
	}
	a := &answered{at: now, what: what}
	o.known[id] = a
	o.order = append(o.order, id)
	return a, true
}

func (o *once) forget(id string, a *answered) {
	o.mu.Lock()
	defer o.mu.Unlock()
	if o.known[id] == a {
		delete(o.known, id)
		for i, k := range o.order {
			if k == id {
				o.order = append(o.order[:i:i], o.order[i+1:]...)
				break
			}
		}
	}
}

// keeps tells whether an answer is for good: what the daemon could not do now,
// or did not let in, it may do later.
func (o *once) keeps(k *keeper) bool {
	switch k.status {
	case http.StatusUnauthorized, http.StatusForbidden, http.StatusRequestTimeout, http.StatusConflict, http.StatusPreconditionRequired, http.StatusTooManyRequests:
		return false
	}
	return k.status < 500 && !k.over
}

// again answers a request whose key is known.
func (o *once) again(w http.ResponseWriter, r *http.Request, a *answered, what string) {
	o.mu.Lock()
	done := a.done
	o.mu.Unlock()
	if !done {
		problem(http.StatusConflict, "A request with this "+OnceHeader+" is being worked on; ask again in a moment.").write(w)
		return
	}
	other := a.what != what
	if !other {
		body := &patientBody{src: http.MaxBytesReader(w, r.Body, o.maxFile), rc: http.NewResponseController(w), patience: o.slow}
		sum := sha256.New()
		if _, err := io.Copy(sum, body); err != nil {
			problemOf(firstOf(body.err, err)).write(w)
			return
		}
		other = !bytes.Equal(sum.Sum(nil), a.sum[:])
	}
	if other {
		p := problem(http.StatusUnprocessableEntity, "This "+OnceHeader+" belongs to another request; take a new one.")
		p.Kind = "not-valid"
		p.write(w)
		return
	}
	for name, values := range a.header {
		w.Header()[name] = values
	}
	w.WriteHeader(a.status)
	_, _ = w.Write(a.body)
}

// summed is a body that is summed up as it is read.
type summed struct {
	io.Closer
	io.Reader
}

// keeper keeps an answer as it goes out.
type keeper struct {
	http.ResponseWriter
	status int
	body   bytes.Buffer
	over   bool
}

// WriteHeader remembers the status.
func (k *keeper) WriteHeader(status int) {
	k.status = status
	k.ResponseWriter.WriteHeader(status)
}

// Write remembers what is written.
func (k *keeper) Write(p []byte) (int, error) {
	if k.over = k.over || k.body.Len()+len(p) > onceAnswer; !k.over {
		k.body.Write(p)
	}
	return k.ResponseWriter.Write(p)
}

// Unwrap lets deadlines be set through the wrapper.
func (k *keeper) Unwrap() http.ResponseWriter { return k.ResponseWriter }

package door

import "context"

// Role says what a caller may do.
type Role string

// Watch may see everything and change nothing; Operate may do everything that
// the pages and the API offer, heating and moving machines included.
const (
	Watch   Role = "watch"
	Operate Role = "operate"
)

// Valid tells whether r is one of the two.
func (r Role) Valid() bool { return r == Watch || r == Operate }

// Caller is who asks.
type Caller struct {
	Name string // of the person or the key
	Role Role
	How  string // "session": a person at a browser; "key": a program; "here": this computer, without a credential; "log-in": a name that was given at the form
	Afar bool   // the request came from another computer
}

type callerKey struct{}

// From is the caller of a request that the door let in; the zero Caller, who may
// nothing, of any other.
func From(ctx context.Context) Caller {
	c, _ := ctx.Value(callerKey{}).(Caller)
	return c
}

type noteKey struct{}

// Noting returns a context for the door and where it will write down whom it
// met, whether or not it let them in.
func Noting(ctx context.Context) (context.Context, *Caller) {
	c := new(Caller)
	return context.WithValue(ctx, noteKey{}, c), c
}

func note(ctx context.Context, c Caller) {
	if at, ok := ctx.Value(noteKey{}).(*Caller); ok {
		*at = c
	}
}

type stillKey struct{}

// Still tells whether the caller of a request would still be let in: for what
// stays open after it was.
func Still(ctx context.Context) bool {
	still, ok := ctx.Value(stillKey{}).(func() bool)
	return !ok || still()
}

func with(ctx context.Context, c Caller, still func() bool) context.Context {
	return context.WithValue(context.WithValue(ctx, callerKey{}, c), stillKey{}, still)
}

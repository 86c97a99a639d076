package web

import (
	"context"
	"errors"
	"log/slog"
	"net/http"
	"time"

	"github.com/danielgtaylor/huma/v2"
	"github.com/danielgtaylor/huma/v2/adapters/humago"

	"undercroft/web/door"
)

// api holds the handlers: each decodes, calls the House, encodes.
type api struct {
	house    House
	log      *slog.Logger
	audit    *door.Audit
	maxFile  int64
	patience time.Duration // how long an upload may bring nothing
	uploads  chan struct{} // a place for each upload that may run at once
	register huma.API
}

// newAPI puts the operations on mux, and their description at /openapi.json.
func newAPI(mux *http.ServeMux, o Options) *api {
	cfg := huma.DefaultConfig("Undercroft", o.Version)
	cfg.Info.Description = "Printers, jobs, plates and heights of one house. Lengths in millimetres, times in seconds or RFC 3339 house time, temperatures in degrees Celsius. Every error is an RFC 9457 problem with the member 'kind'. Not a safety device."
	cfg.DocsPath = ""     // the library's page loads scripts from outside
	cfg.CreateHooks = nil // no $schema links
	cfg.SchemasPath = ""
	a := &api{house: o.House, log: o.Log, audit: o.Audit, maxFile: o.MaxFileBytes, patience: o.patience, uploads: make(chan struct{}, maxUploads)}
	a.register = humago.New(mux, cfg)
	a.viewRoutes()
	a.fileRoutes()
	a.jobRoutes()
	a.printerRoutes()
	a.stockRoutes()
	mux.HandleFunc("GET /reels", a.reelSheet)
	a.doorRoutes()
	a.ledgerRoutes()
	a.callRoutes()
	a.hoursRoutes()
	a.pageRoutes(mux)
	return a
}

// fail is the answer for an error of the House.
func (a *api) fail(err error) error {
	p := problemOf(err)
	if p.Status == http.StatusInternalServerError && !errors.Is(err, context.Canceled) {
		a.log.Error("a request failed", "err", err)
	}
	return p
}

// reply wraps a body the way the API library wants it.
type reply[T any] struct {
	CacheControl string `header:"Cache-Control"`
	Body         T
}

func answer[T any](body T) *reply[T] { return &reply[T]{"no-store", body} }

// get registers an operation that asks; the error answers it can give are the
// default response of the document.
func get[I, O any](a *api, path, id, summary string, h func(context.Context, *I) (*O, error)) {
	huma.Register(a.register, huma.Operation{
		OperationID: id, Method: http.MethodGet, Path: path, Summary: summary,
	}, h)
}

// post registers an operation that changes something. Once it was asked for it
// is carried through, whether or not the asker stays to hear the answer: a phone
// that loses its line must not leave half of the heaters on.
func post[I, O any](a *api, path, id, summary string, h func(context.Context, *I) (*O, error)) {
	huma.Register(a.register, huma.Operation{
		OperationID: id, Method: http.MethodPost, Path: path, Summary: summary,
		MaxBodyBytes: maxBodyBytes, DefaultStatus: statusOf[O](),
	}, func(ctx context.Context, in *I) (*O, error) {
		ctx, cancel := context.WithTimeout(context.WithoutCancel(ctx), changeTime)
		defer cancel()
		return h(ctx, in)
	})
}

// done is the answer of an operation that has nothing to tell.
type done struct{}

func statusOf[O any]() int {
	var o O
	if _, nothing := any(o).(done); nothing {
		return http.StatusNoContent
	}
	return http.StatusOK
}

const (
	changeTime   = time.Minute // of one change: a stop waits for the moves on their way
	maxBodyBytes = 64 << 10    // of everything but files
	maxUploads   = 4           // each reads a whole file: more at once only makes all of them slow
)

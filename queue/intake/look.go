package intake

import (
	"context"
	"errors"
	"fmt"
	"io"

	"undercroft/queue"
)

// Look is what a file shows before it is taken.
type Look struct {
	Kind    string      // of printer, that it was read for
	Request Request     // with the part, nozzle and material that it would get
	File    *queue.File // what is known of it, refused or not
	Known   bool        // the same content is there already
	Refusal *Refusal    // nil: Add would take it
}

// Look reads a file to its end as Add would, and keeps nothing of it. A file that
// Add would refuse is no error here; its errors are Add's others.
func (in *Intake) Look(ctx context.Context, req Request, body io.Reader) (Look, error) {
	kind, err := in.check(&req)
	if err != nil {
		return Look{}, err
	}
	l := Look{Kind: kind.Name}
	res, err := in.read(ctx, &req, kind, body, io.Discard)
	if errors.As(err, &l.Refusal) {
		l.Request, l.File = req, &queue.File{Name: req.FileName}
		return l, nil
	}
	if err != nil {
		return Look{}, err
	}
	l.File, l.Refusal = judge(&req, kind, res)
	if l.Refusal != nil {
		l.File = summary(req.FileName, res)
	}
	l.Request = req
	switch _, err := in.Store.File(ctx, l.File.SHA256); {
	case err == nil:
		l.Known = true
	case !errors.Is(err, queue.ErrNotFound):
		return Look{}, fmt.Errorf("looking whether %s is known: %w", req.FileName, err)
	}
	return l, nil
}

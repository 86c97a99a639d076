package web

import (
	"context"
	"encoding/json"
	"errors"
	"net/http"
	"os"

	"github.com/danielgtaylor/huma/v2"

	"undercroft/queue"
)

// Problem is the body of every answer that is not a success: RFC 9457 problem
// details with the type about:blank, so that Title is the status in words. Kind
// tells programs apart what the status alone does not.
type Problem struct {
	Title    string              `json:"title" doc:"the HTTP status in words"`
	Status   int                 `json:"status" doc:"the HTTP status"`
	Detail   string              `json:"detail" doc:"for a person: what happened, where, what to do"`
	Kind     string              `json:"kind" doc:"not-found, not-valid, not-possible-now, refused, cannot-be-reached, no-credential, not-from-here, wants-confirmation, too-large, too-slow, too-many, internal"`
	Findings []Finding           `json:"findings,omitempty" doc:"of a refused file: each reason with its line"`
	Errors   []*huma.ErrorDetail `json:"errors,omitempty" doc:"which fields of the request were wrong"`
}

// Error, GetStatus and ContentType are what the API library asks of an error.
func (p *Problem) Error() string { return p.Detail }

// GetStatus is the HTTP status.
func (p *Problem) GetStatus() int { return p.Status }

// ContentType is the media type of RFC 9457.
func (p *Problem) ContentType(string) string { return problemType }

const problemType = "application/problem+json"

// kinds maps errors to statuses, most particular first. Nothing else in this
// package decides on a status.
var kinds = []struct {
	err    error
	status int
	kind   string
}{
	{queue.ErrRefused, http.StatusUnprocessableEntity, "refused"},
	{queue.ErrNotFound, http.StatusNotFound, "not-found"},
	{queue.ErrInvalid, http.StatusBadRequest, "not-valid"},
	{queue.ErrConflict, http.StatusConflict, "not-possible-now"},
	{queue.ErrUnavailable, http.StatusServiceUnavailable, "cannot-be-reached"},
	{os.ErrDeadlineExceeded, http.StatusRequestTimeout, "too-slow"},
	{context.DeadlineExceeded, http.StatusServiceUnavailable, "cannot-be-reached"},
	{context.Canceled, http.StatusServiceUnavailable, "cannot-be-reached"},
}

// kindOf is for answers that the API library or the door makes by status.
func kindOf(status int) string {
	switch status {
	case http.StatusUnauthorized:
		return "no-credential"
	case http.StatusForbidden, http.StatusMisdirectedRequest:
		return "not-from-here"
	case http.StatusRequestEntityTooLarge:
		return "too-large"
	case http.StatusTooManyRequests:
		return "too-many"
	}
	for _, k := range kinds {
		if k.status == status {
			return k.kind
		}
	}
	if status < 500 {
		return "not-valid"
	}
	return "internal"
}

// problemOf turns an error of the House into an answer. What is not of a known
// kind stays in the log: its words may tell of things that are nobody's business.
func problemOf(err error) *Problem {
	var p *Problem
	if errors.As(err, &p) {
		return p
	}
	var large *http.MaxBytesError
	if errors.As(err, &large) {
		return problem(http.StatusRequestEntityTooLarge, "The file is larger than this house takes ("+bytesInWords(large.Limit)+"). Nothing was stored.")
	}
	for _, k := range kinds {
		if !errors.Is(err, k.err) {
			continue
		}
		// The kind stands in its own member; at the end of the words it only clutters.
		p := problem(k.status, sentence(queue.Words(err)))
		p.Kind = k.kind
		var refusal *Refusal
		if errors.As(err, &refusal) {
			p.Findings = refusal.Findings
		}
		return p
	}
	return problem(http.StatusInternalServerError, "Something in the daemon went wrong; its log says what. Nothing is known to have changed.")
}

func problem(status int, detail string) *Problem {
	return &Problem{Title: http.StatusText(status), Status: status, Detail: detail, Kind: kindOf(status)}
}

// write answers a request that never reached the API library.
func (p *Problem) write(w http.ResponseWriter) {
	body, err := json.Marshal(p)
	if err != nil { // strings and numbers only: cannot happen
		body = []byte("{}")
	}
	w.Header().Set("Content-Type", problemType)
	w.Header().Set("Cache-Control", "no-store")
	w.WriteHeader(p.Status)
	_, _ = w.Write(body)
}

// The API library makes its own errors (a body that does not fit the schema, a
// missing parameter) through this one package variable.
func init() {
	huma.NewError = func(status int, detail string, errs ...error) huma.StatusError {
		// A request of the wrong shape is one kind here, whichever way it is wrong.
		if status == http.StatusUnprocessableEntity {
			status = http.StatusBadRequest
		}
		p := problem(status, sentence(detail))
		for _, err := range errs {
			if err == nil {
				continue
			}
			d := &huma.ErrorDetail{Message: err.Error()}
			var detailer huma.ErrorDetailer
			if errors.As(err, &detailer) {
				// The value is left out: what was sent must not come back in logs.
				from := detailer.ErrorDetail()
				d = &huma.ErrorDetail{Message: from.Message, Location: from.Location}
			}
			p.Errors = append(p.Errors, d)
		}
		if len(p.Errors) > 0 && p.Status < 500 {
			p.Detail = "The request is not valid: " + p.Errors[0].Message
			if at := p.Errors[0].Location; at != "" {
				p.Detail += " (" + at + ")"
			}
			p.Detail += "."
		}
		return p
	}
}

package web

import (
	"context"
	"errors"
	"fmt"
	"io"
	"mime"
	"mime/multipart"
	"net/http"
	"net/url"
	"strconv"
	"time"

	"github.com/danielgtaylor/huma/v2"
	"github.com/danielgtaylor/huma/v2/adapters/humago"
)

// uploadPatience is how long an upload may bring nothing, unless a test is less
// patient; a slow line is no reason to cut, a silent one is.
const uploadPatience = 30 * time.Second

// addInput carries an upload past the API library, which would read the body
// into memory: files are streamed, as large as they are.
type addInput struct {
	FileName   string  `query:"file_name" doc:"the file's name; its last element counts"`
	Kind       string  `query:"kind" maxLength:"100" doc:"the kind of printer that the file was sliced for; may be left out where there is one kind"`
	Part       string  `query:"part" maxLength:"200" doc:"which part it makes; from the file's name when left out"`
	Assembly   string  `query:"assembly" maxLength:"200"`
	Build      string  `query:"build" maxLength:"200" doc:"the build that it belongs to; empty: none"`
	Way        string  `query:"way" maxLength:"200" doc:"which way of making the part it is"`
	Section    string  `query:"section" maxLength:"200" doc:"the section of the part that the file makes; empty: the whole"`
	Yields     string  `query:"yields" maxLength:"4000" doc:"of a plate of many: 'rib=4, foot=2'"`
	Mirror     string  `query:"mirror" maxLength:"200" doc:"the part of which this one is the mirror image"`
	Seam       string  `query:"seam" maxLength:"200" doc:"what is to be joined, of a way in sections"`
	WayOnly    bool    `query:"way_only" doc:"note the way, print nothing yet"`
	Count      int     `query:"count" minimum:"0" maximum:"1000" doc:"how many times to print it; 0 is 1"`
	Pieces     int     `query:"pieces" minimum:"0" maximum:"1000" doc:"pieces that one print yields; 0 is 1"`
	NozzleMM   float64 `query:"nozzle_mm" minimum:"0" maximum:"5" doc:"0: as the file shows"`
	Material   string  `query:"material" maxLength:"100" doc:"empty: as the file declares"`
	Colour     string  `query:"colour" maxLength:"100" doc:"empty: it does not matter"`
	Surface    string  `query:"surface" maxLength:"100" doc:"wanted plate surface; empty: by material"`
	ClearsSelf bool    `query:"clears_itself" doc:"may use the printer's clearing routine"`
	OnHold     bool    `query:"on_hold"`

	r *http.Request
	w http.ResponseWriter
}

// Resolve keeps the request; the library calls it before the handler.
func (in *addInput) Resolve(ctx huma.Context) []error {
	in.r, in.w = humago.Unwrap(ctx)
	return nil
}

func (in *addInput) request() AddRequest {
	return AddRequest{
		FileName: baseName(in.FileName), Kind: in.Kind, Part: in.Part, Assembly: in.Assembly,
		Build: in.Build, Way: in.Way, Section: in.Section, Yields: in.Yields, Mirror: in.Mirror, Seam: in.Seam, WayOnly: in.WayOnly, Colour: in.Colour,
		Count: in.Count, Pieces: in.Pieces, NozzleMM: in.NozzleMM, Material: in.Material,
		Surface: in.Surface, ClearsSelf: in.ClearsSelf, OnHold: in.OnHold,
	}
}

func (a *api) fileRoutes() {
	binary := &huma.MediaType{Schema: &huma.Schema{Type: huma.TypeString, Format: "binary"}}
	form := &huma.MediaType{Schema: &huma.Schema{Type: huma.TypeObject, Properties: map[string]*huma.Schema{
		"file": {Type: huma.TypeString, Format: "binary", Description: "the last part; fields named like the query parameters may stand before it"},
	}}}
	huma.Register(a.register, huma.Operation{
		OperationID: "add", Method: http.MethodPost, Path: "/api/files", DefaultStatus: http.StatusCreated,
		Summary:     "Add a G-code file: read it once, refuse it with reasons, or queue it",
		Description: "The file is the body itself, or the last part of a multipart form. It is streamed; nothing is stored of a file that is refused.",
		RequestBody: &huma.RequestBody{Required: true, Content: map[string]*huma.MediaType{
			"application/octet-stream": binary, "text/x-gcode": binary,
		}},
	}, a.add)
	huma.Register(a.register, huma.Operation{
		OperationID: "look", Method: http.MethodPost, Path: "/api/files/look",
		Summary:     "Read a G-code file as adding it would, and keep nothing of it",
		Description: "What adding it would refuse stands in the answer, with lines.",
		RequestBody: &huma.RequestBody{Required: true, Content: map[string]*huma.MediaType{
			"application/octet-stream": binary, "text/x-gcode": binary,
		}},
	}, func(ctx context.Context, in *addInput) (*reply[Look], error) {
		l, err := received(a, in, func(req AddRequest, file io.Reader) (Look, error) { return a.house.Look(ctx, req, file) })
		if err != nil {
			return nil, err
		}
		l.Warnings, l.Refused = listed(l.Warnings), listed(l.Refused)
		return answer(l), nil
	})
	// Told of the form before, the library would read it into memory.
	for _, path := range []string{"/api/files", "/api/files/look"} {
		a.register.OpenAPI().Paths[path].Post.RequestBody.Content["multipart/form-data"] = form
	}
	get(a, "/api/inbox", "inbox", "What lies in the folder that files are put into, and what was refused there",
		func(ctx context.Context, _ *struct{}) (*reply[Inbox], error) {
			in, err := a.house.Inbox(ctx)
			if err != nil {
				return nil, a.fail(err)
			}
			in.Waiting, in.Refused = listed(in.Waiting), listed(in.Refused)
			return answer(in), nil
		})
}

func (a *api) add(ctx context.Context, in *addInput) (*reply[Added], error) {
	added, err := received(a, in, func(req AddRequest, file io.Reader) (Added, error) { return a.house.Add(ctx, req, file) })
	if err != nil {
		return nil, err
	}
	added.JobIDs = listed(added.JobIDs)
	return answer(added), nil
}

// received hands a streamed, bounded upload to do.
func received[T any](a *api, in *addInput, do func(AddRequest, io.Reader) (T, error)) (T, error) {
	var none T
	select {
	case a.uploads <- struct{}{}:
		defer func() { <-a.uploads }()
	default:
		return none, problem(http.StatusServiceUnavailable, fmt.Sprintf("%d files are being read already; try again when one of them is done.", maxUploads))
	}
	if in.r.ContentLength > a.maxFile {
		return none, problemOf(&http.MaxBytesError{Limit: a.maxFile})
	}
	body := &patientBody{
		src: http.MaxBytesReader(in.w, in.r.Body, a.maxFile),
		rc:  http.NewResponseController(in.w), patience: a.patience,
	}
	req, file, err := fileOf(in, body)
	if err != nil {
		return none, a.fail(firstOf(body.err, err))
	}
	if req.FileName == "" {
		return none, problem(http.StatusBadRequest, "The file has no name: give file_name.")
	}
	got, err := do(req, file)
	if err != nil {
		// A file cut short by the line is not a bad file.
		return none, a.fail(firstOf(body.err, err))
	}
	return got, nil
}

func firstOf(read, err error) error {
	if read != nil {
		return read
	}
	return err
}

// fileOf finds the file in the request: the body itself, or the last part of a
// form, with fields before it.
func fileOf(in *addInput, body io.Reader) (AddRequest, io.Reader, error) {
	kind, params, _ := mime.ParseMediaType(in.r.Header.Get("Content-Type"))
	if kind != "multipart/form-data" {
		return in.request(), body, nil
	}
	parts := multipart.NewReader(body, params["boundary"])
	for range maxFormParts {
		part, err := parts.NextPart()
		if errors.Is(err, io.EOF) {
			return AddRequest{}, nil, problem(http.StatusBadRequest, "The form holds no file.")
		}
		if err != nil {
			return AddRequest{}, nil, problem(http.StatusBadRequest, "The form cannot be read: "+err.Error()+".")
		}
		if part.FileName() != "" {
			if in.FileName == "" {
				in.FileName = part.FileName()
			}
			return in.request(), part, nil
		}
		value, err := io.ReadAll(io.LimitReader(part, maxFormField+1))
		if err != nil {
			return AddRequest{}, nil, problem(http.StatusBadRequest, "The form cannot be read: "+err.Error()+".")
		}
		if len(value) > maxFormField {
			return AddRequest{}, nil, problem(http.StatusBadRequest, "The form field "+strconv.Quote(part.FormName())+" is too long.")
		}
		if err := in.set(part.FormName(), string(value)); err != nil {
			return AddRequest{}, nil, err
		}
	}
	return AddRequest{}, nil, problem(http.StatusBadRequest, "The form has too many fields.")
}

const (
	maxFormParts = 32
	maxFormField = 1000 // bytes
)

// set takes a form field as if it had stood in the query.
func (in *addInput) set(name, value string) error {
	var err error
	switch name {
	case "file_name":
		in.FileName = value
	case "kind":
		in.Kind = value
	case "part":
		in.Part = value
	case "assembly":
		in.Assembly = value
	case "build":
		in.Build = value
	case "way":
		in.Way = value
	case "section":
		in.Section = value
	case "yields":
		in.Yields = value
	case "mirror":
		in.Mirror = value
	case "seam":
		in.Seam = value
	case "way_only":
		in.WayOnly, err = strconv.ParseBool(value)
	case "colour":
		in.Colour = value
	case "count":
		in.Count, err = countOf(value)
	case "pieces":
		in.Pieces, err = countOf(value)
	case "nozzle_mm":
		in.NozzleMM, err = strconv.ParseFloat(value, 64)
		if err == nil && !(in.NozzleMM >= 0 && in.NozzleMM <= 5) {
			err = strconv.ErrRange
		}
	case "material":
		in.Material = value
	case "surface":
		in.Surface = value
	case "clears_itself":
		in.ClearsSelf, err = strconv.ParseBool(value)
	case "on_hold":
		in.OnHold, err = strconv.ParseBool(value)
	default:
		return problem(http.StatusBadRequest, "The form field "+strconv.Quote(name)+" is not known.")
	}
	if err != nil {
		return problem(http.StatusBadRequest, "The form field "+name+" does not take "+strconv.Quote(value)+".")
	}
	return nil
}

func countOf(s string) (int, error) {
	n, err := strconv.Atoi(s)
	if err == nil && (n < 0 || n > 1000) {
		err = strconv.ErrRange
	}
	return n, err
}

// Query is the request as the query of POST /api/files.
func (r AddRequest) Query() url.Values {
	q := url.Values{}
	set := func(name, value string) {
		if value != "" {
			q.Set(name, value)
		}
	}
	set("file_name", r.FileName)
	set("kind", r.Kind)
	set("part", r.Part)
	set("assembly", r.Assembly)
	set("build", r.Build)
	set("way", r.Way)
	set("section", r.Section)
	set("yields", r.Yields)
	set("mirror", r.Mirror)
	set("seam", r.Seam)
	set("colour", r.Colour)
	set("material", r.Material)
	set("surface", r.Surface)
	if r.Count != 0 {
		q.Set("count", strconv.Itoa(r.Count))
	}
	if r.Pieces != 0 {
		q.Set("pieces", strconv.Itoa(r.Pieces))
	}
	if r.NozzleMM != 0 {
		q.Set("nozzle_mm", strconv.FormatFloat(r.NozzleMM, 'f', -1, 64))
	}
	if r.WayOnly {
		q.Set("way_only", "true")
	}
	if r.ClearsSelf {
		q.Set("clears_itself", "true")
	}
	if r.OnHold {
		q.Set("on_hold", "true")
	}
	return q
}

// patientBody reads an upload: the deadline moves on with what arrives, and the
// reading error is kept, whatever its reader makes of it.
type patientBody struct {
	src io.Reader
	rc  *http.ResponseController

	patience time.Duration

	next time.Time // when the deadline is moved again
	err  error
}

func (b *patientBody) Read(p []byte) (int, error) {
	if now := time.Now(); now.After(b.next) {
		// Writers in tests have no deadline; there is nothing to cut then.
		_ = b.rc.SetReadDeadline(now.Add(b.patience))
		_ = b.rc.SetWriteDeadline(now.Add(b.patience + requestTime)) // reading the file may take a while
		b.next = now.Add(b.patience / 30)
	}
	n, err := b.src.Read(p)
	if err != nil && !errors.Is(err, io.EOF) {
		b.err = err
		if errors.Is(err, io.ErrUnexpectedEOF) {
			b.err = problem(http.StatusBadRequest, "The file did not arrive whole; nothing was stored.")
		}
	}
	return n, err
}

package call

import (
	"bytes"
	"context"
	"crypto/hmac"
	"crypto/sha256"
	"encoding/hex"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"net/http"
	"net/url"
	"strconv"
	"time"

	"undercroft/web"
)

// Headers of a webhook's request.
const (
	IDHeader        = "Undercroft-Call"      // the call's id; the same when it comes twice
	TimeHeader      = "Undercroft-Time"      // Unix seconds at which it was sent
	SignatureHeader = "Undercroft-Signature" // see Sign
)

// SignatureAge is how old a signed request may be before a receiver is to refuse
// it: whoever recorded one cannot send it again later.
const SignatureAge = 5 * time.Minute

// Sign is the signature of a webhook's request: HMAC-SHA256 (RFC 2104) over the
// time in Unix seconds, a line feed and the body, in lower-case hexadecimal.
func Sign(secret []byte, unix int64, body []byte) string {
	m := hmac.New(sha256.New, secret)
	m.Write(strconv.AppendInt(nil, unix, 10))
	m.Write([]byte{'\n'})
	m.Write(body)
	return hex.EncodeToString(m.Sum(nil))
}

// Verify is for receivers: it tells whether a request with these headers and
// body came from a house with that secret, not longer ago than SignatureAge.
func Verify(secret []byte, h http.Header, body []byte, now time.Time) error {
	unix, err := strconv.ParseInt(h.Get(TimeHeader), 10, 64)
	if err != nil {
		return errors.New("it says no time")
	}
	if age := now.Sub(time.Unix(unix, 0)).Abs(); age > SignatureAge {
		return fmt.Errorf("it is of another time, by %v", age.Round(time.Second))
	}
	if !hmac.Equal([]byte(h.Get(SignatureHeader)), []byte(Sign(secret, unix, body))) {
		return errors.New("its signature is not right")
	}
	return nil
}

// Webhook posts each call as JSON, a web.Call, to an address that the owner
// wrote down. It follows no redirect and asks no proxy.
type Webhook struct {
	url    string
	secret []byte
	client *http.Client
}

// NewWebhook posts to an http or https address, signed with secret.
func NewWebhook(address string, secret []byte) (*Webhook, error) {
	u, err := url.Parse(address)
	if err != nil || u.Host == "" || u.Scheme != "http" && u.Scheme != "https" {
		return nil, errors.New("the webhook's address is not an http or https address")
	}
	return &Webhook{url: address, secret: secret, client: &http.Client{
		Timeout:       20 * time.Second,
		CheckRedirect: func(*http.Request, []*http.Request) error { return http.ErrUseLastResponse },
		Transport: &http.Transport{
			MaxIdleConns: 1, IdleConnTimeout: 30 * time.Second, TLSHandshakeTimeout: 10 * time.Second,
			MaxResponseHeaderBytes: 16 << 10,
		},
	}}, nil
}

// Send posts one call after the other and stops at the first that is not taken.
func (w *Webhook) Send(ctx context.Context, calls []web.Call) error {
	for i := range calls {
		if err := w.post(ctx, &calls[i]); err != nil {
			return err
		}
	}
	return nil
}

func (w *Webhook) post(ctx context.Context, c *web.Call) error {
	body, err := json.Marshal(c)
	if err != nil {
		return err
	}
	req, err := http.NewRequestWithContext(ctx, http.MethodPost, w.url, bytes.NewReader(body))
	if err != nil {
		return err
	}
	unix := time.Now().Unix()
	req.Header.Set("Content-Type", "application/json")
	req.Header.Set("User-Agent", "Undercroft")
	req.Header.Set(IDHeader, url.QueryEscape(c.ID))
	req.Header.Set(TimeHeader, strconv.FormatInt(unix, 10))
	req.Header.Set(SignatureHeader, Sign(w.secret, unix, body))
	resp, err := w.client.Do(req)
	if err != nil {
		var at *url.Error // says the whole address, which may be a secret
		if errors.As(err, &at) {
			err = at.Err
		}
		return err
	}
	defer resp.Body.Close()
	_, _ = io.Copy(io.Discard, io.LimitReader(resp.Body, 64<<10))
	if resp.StatusCode >= 200 && resp.StatusCode < 300 {
		return nil
	}
	err = fmt.Errorf("the webhook's receiver answered %d %s", resp.StatusCode, http.StatusText(resp.StatusCode))
	if resp.StatusCode >= 300 && resp.StatusCode < 400 {
		err = fmt.Errorf("%w; redirects are not followed", err)
	}
	if s, e := strconv.Atoi(resp.Header.Get("Retry-After")); e == nil && s > 0 {
		return &laterError{err, time.Duration(min(s, 86400)) * time.Second}
	}
	return err
}

// laterError is a refusal with a word on when to come again.
type laterError struct {
	error
	after time.Duration
}

// Unwrap gives the refusal.
func (e *laterError) Unwrap() error { return e.error }

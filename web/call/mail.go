package call

import (
	"context"
	"crypto/tls"
	"errors"
	"fmt"
	"net"
	"strconv"
	"strings"
	"time"

	"github.com/wneessen/go-mail"

	"undercroft/web"
)

// How a mail server is spoken to.
const (
	MailTLS      = "tls"      // encrypted from the first byte (RFC 8314)
	MailStartTLS = "starttls" // encrypted before anything is said (RFC 3207), or not at all
	MailPlain    = "off"      // in clear: a server on this computer only
)

// Mail says how mail is sent.
type Mail struct {
	Server   string // host:port
	TLS      string
	User     string // empty: without logging in
	Password string
	From     string
	To       []string
	Trust    *tls.Config // nil: as the system trusts
}

// NewMail checks what can be checked without asking the server.
func NewMail(m Mail) (*Mail, error) {
	host, port, err := net.SplitHostPort(m.Server)
	if err != nil || host == "" {
		return nil, errors.New("the mail server is not of the form host:port")
	}
	if n, err := strconv.Atoi(port); err != nil || n < 1 || n > 65535 {
		return nil, fmt.Errorf("the mail server's port %q is none", port)
	}
	if len(m.To) == 0 {
		return nil, errors.New("there is nobody to send mail to")
	}
	msg := mail.NewMsg()
	if err := msg.From(m.From); err != nil {
		return nil, err
	}
	if err := msg.To(m.To...); err != nil {
		return nil, err
	}
	return &m, nil
}

// Send puts all calls into one mail.
func (m *Mail) Send(ctx context.Context, calls []web.Call) error {
	msg := mail.NewMsg(mail.WithNoDefaultUserAgent())
	if err := msg.From(m.From); err != nil {
		return err
	}
	if err := msg.To(m.To...); err != nil {
		return err
	}
	msg.SetDate()
	msg.SetMessageID()
	// No holiday answers to a machine (RFC 3834).
	msg.SetGenHeader("Auto-Submitted", "auto-generated")
	for _, c := range calls {
		if c.Kind == Alarm {
			msg.SetImportance(mail.ImportanceHigh)
		}
	}
	msg.Subject(subject(calls))
	msg.SetBodyString(mail.TypeTextPlain, text(calls))

	host, port, _ := net.SplitHostPort(m.Server)
	n, _ := strconv.Atoi(port)
	trust := m.Trust
	if trust == nil {
		trust = &tls.Config{MinVersion: tls.VersionTLS12}
	}
	trust = trust.Clone()
	trust.ServerName = host
	o := []mail.Option{mail.WithPort(n), mail.WithTimeout(20 * time.Second), mail.WithTLSConfig(trust)}
	switch m.TLS {
	case MailTLS:
		o = append(o, mail.WithSSL())
	case MailStartTLS:
		o = append(o, mail.WithTLSPolicy(mail.TLSMandatory))
	default:
		o = append(o, mail.WithTLSPolicy(mail.NoTLS))
	}
	if m.User != "" {
		o = append(o, mail.WithSMTPAuth(mail.SMTPAuthAutoDiscover), mail.WithUsername(m.User), mail.WithPassword(m.Password))
	}
	client, err := mail.NewClient(host, o...)
	if err != nil {
		return err
	}
	return client.DialAndSendWithContext(ctx, msg)
}

func subject(calls []web.Call) string {
	first := calls[0].Title
	for _, c := range calls { // the gravest speaks for all
		if c.Kind == Alarm {
			first = c.Title
			break
		}
	}
	if len(calls) > 1 {
		return fmt.Sprintf("%s, and %d more", first, len(calls)-1)
	}
	return first
}

// text is a mail's body: what, what to do, where.
func text(calls []web.Call) string {
	var b strings.Builder
	for i, c := range calls {
		if i > 0 {
			b.WriteString("\n")
		}
		fmt.Fprintf(&b, "%s\n%s\n", c.Title, c.Text)
		if c.Do != "" {
			fmt.Fprintf(&b, "What to do: %s\n", c.Do)
		}
		if c.Link != "" {
			fmt.Fprintf(&b, "%s\n", c.Link)
		}
		fmt.Fprintf(&b, "Noticed %s.\n", c.At.Format("Mon 2 Jan 15:04"))
	}
	return b.String()
}

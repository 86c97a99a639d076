package link

// telnet is the decoding half of a telnet conversation (RFC 854): data on one
// side, commands and subnegotiations on the other. It holds no more than one
// subnegotiation, cut at maxSub.
type telnet struct {
	state telnetState
	verb  byte // WILL, WONT, DO or DONT whose option is awaited
	sub   []byte
	cr    bool // the byte before was a CR
}

type telnetState uint8

const (
	telnetData telnetState = iota
	telnetIAC
	telnetOption
	telnetSub
	telnetSubIAC
)

// Bytes of RFC 854 (commands), RFC 856 (binary), RFC 858 (suppress go ahead),
// RFC 2217 (com port).
const (
	tSE   = 240
	tSB   = 250
	tWILL = 251
	tWONT = 252
	tDO   = 253
	tDONT = 254
	tIAC  = 255

	optBinary   = 0
	optGoAhead  = 3
	optComPort  = 44
	maxSub      = 64
	carriageRet = '\r'
)

// decode takes what was read and appends the data in it to dst. option is called
// with WILL, WONT, DO, DONT and the option; sub with a whole subnegotiation,
// option first, valid until it returns.
func (t *telnet) decode(dst, src []byte, option func(verb, opt byte), sub func(b []byte)) []byte {
	for _, c := range src {
		switch t.state {
		case telnetData:
			switch {
			case c == tIAC:
				t.state = telnetIAC
				continue
			case c == 0 && t.cr:
				// Outside binary mode a bare CR is sent with a NUL behind it. No
				// firmware sends a NUL of its own.
			default:
				dst = append(dst, c)
			}
			t.cr = c == carriageRet
		case telnetIAC:
			t.state = telnetData
			switch c {
			case tIAC:
				dst, t.cr = append(dst, c), false
			case tWILL, tWONT, tDO, tDONT:
				t.state, t.verb = telnetOption, c
			case tSB:
				t.state, t.sub = telnetSub, t.sub[:0]
			}
		case telnetOption:
			t.state = telnetData
			option(t.verb, c)
		case telnetSub:
			if c == tIAC {
				t.state = telnetSubIAC
			} else if len(t.sub) < maxSub {
				t.sub = append(t.sub, c)
			}
		case telnetSubIAC:
			switch {
			case c == tSE:
				t.state = telnetData
				if len(t.sub) > 0 {
					sub(t.sub)
				}
			case c == tIAC && len(t.sub) < maxSub:
				t.state, t.sub = telnetSub, append(t.sub, c)
			default:
				t.state = telnetSub
			}
		}
	}
	return dst
}

// escape appends data as it is sent: IAC doubled.
func escape(dst, data []byte) []byte {
	for _, c := range data {
		if c == tIAC {
			dst = append(dst, tIAC)
		}
		dst = append(dst, c)
	}
	return dst
}

// subnegotiation appends IAC SB, the bytes with IAC doubled, IAC SE.
func subnegotiation(dst []byte, b ...byte) []byte {
	dst = append(dst, tIAC, tSB)
	dst = escape(dst, b)
	return append(dst, tIAC, tSE)
}

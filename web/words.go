package web

import (
	"fmt"
	"strings"
	"unicode"
	"unicode/utf8"
)

// sentence gives a bare phrase its capital and its full stop. A first word that
// is no plain word (a file's name, say) stays as it is.
func sentence(s string) string {
	first, _, _ := strings.Cut(s, " ")
	if first == "" {
		return s
	}
	if !strings.ContainsFunc(first, func(r rune) bool { return !unicode.IsLower(r) }) {
		r, n := utf8.DecodeRuneInString(s)
		s = string(unicode.ToUpper(r)) + s[n:]
	}
	if !strings.HasSuffix(s, ".") {
		s += "."
	}
	return s
}

func bytesInWords(n int64) string {
	switch {
	case n >= 1<<30 && n%(1<<30) == 0:
		return fmt.Sprintf("%d GiB", n>>30)
	case n >= 1<<20 && n%(1<<20) == 0:
		return fmt.Sprintf("%d MiB", n>>20)
	}
	return fmt.Sprintf("%d bytes", n)
}

// baseName is the last element of a file name from anywhere, without what could
// steer a terminal or a path; empty when nothing is left.
func baseName(s string) string {
	if i := strings.LastIndexAny(s, `/\`); i >= 0 {
		s = s[i+1:]
	}
	s = strings.Map(func(r rune) rune {
		if !unicode.IsPrint(r) || r == utf8.RuneError {
			return -1
		}
		return r
	}, s)
	s = strings.TrimSpace(s)
	for n, r := range s {
		if n+utf8.RuneLen(r) > maxFileName {
			s = s[:n]
			break
		}
	}
	s = strings.TrimSpace(s) // the cut may have bared a blank
	if strings.Trim(s, ".") == "" {
		return ""
	}
	return s
}

const maxFileName = 200 // bytes, as most file systems take

//go:build !linux

package sim

import "errors"

func openPTY(path string, gated bool) (line, error) {
	return nil, errors.New("a virtual printer on a pseudo-terminal needs Linux: give it a port instead")
}

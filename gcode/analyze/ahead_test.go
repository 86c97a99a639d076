package analyze

import (
	"bytes"
	"crypto/sha256"
	"errors"
	"io"
	"math/rand/v2"
	"testing"
	"testing/iotest"
)

func TestReadAhead(t *testing.T) {
	file := make([]byte, 5*aheadBytes+123)
	r := rand.New(rand.NewPCG(3, 4))
	for i := range file {
		file[i] = byte(r.Uint32())
	}
	broken := errors.New("the disk is gone")
	for name, c := range map[string]struct {
		r    io.Reader
		want []byte
		err  error
	}{
		"whole":       {bytes.NewReader(file), file, nil},
		"by halves":   {iotest.HalfReader(bytes.NewReader(file)), file, nil},
		"end at hand": {iotest.DataErrReader(bytes.NewReader(file)), file, nil},
		"empty":       {bytes.NewReader(nil), nil, nil},
		"broken":      {io.MultiReader(bytes.NewReader(file[:1000]), iotest.ErrReader(broken)), file[:1000], broken},
	} {
		sum := sha256.New()
		got, err := io.ReadAll(readAhead(c.r, sum))
		if !bytes.Equal(got, c.want) || !errors.Is(err, c.err) {
			t.Errorf("%s: %d bytes of %d, %v", name, len(got), len(c.want), err)
		}
		if want := sha256.Sum256(c.want); !bytes.Equal(sum.Sum(nil), want[:]) {
			t.Errorf("%s: another sum", name)
		}
	}
}

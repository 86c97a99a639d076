package door

import (
	"crypto/subtle"
	"errors"
	"fmt"
	"io/fs"
	"os"
	"strings"
)

// HouseKey is the key in a file of the daemon's folder: whoever may read that
// file may operate, as whoever may read the folder could anyway. It lets the
// commands on the same computer in without a person's password.
type HouseKey struct{ sum string }

// OpenHouseKey reads the key at path and makes one where there is none, for its
// owner and the owner's group.
func OpenHouseKey(path string) (HouseKey, error) {
	text, err := ReadHouseKey(path)
	if errors.Is(err, fs.ErrNotExist) {
		text = newKey()
		err = os.WriteFile(path, []byte(text+"\n"), 0o640)
	}
	if err != nil {
		return HouseKey{}, fmt.Errorf("the key for the commands on this computer: %w", err)
	}
	return HouseKey{keySum(text)}, nil
}

// ReadHouseKey returns the key that lies at path, for a command to show.
func ReadHouseKey(path string) (string, error) {
	text, err := os.ReadFile(path)
	if err != nil {
		return "", err
	}
	key := strings.TrimSpace(string(text))
	if len(key) < 32 || len(key) > 200 {
		return "", fmt.Errorf("%s holds no key; remove it and start the daemon again", path)
	}
	return key, nil
}

func (k HouseKey) fits(text string) bool {
	return k.sum != "" && subtle.ConstantTimeCompare([]byte(k.sum), []byte(keySum(text))) == 1
}

//go:build !unix

package door

import "os"

func adopt(*os.File, string) error { return nil }

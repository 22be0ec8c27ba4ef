//go:build !(darwin || dragonfly || freebsd || linux || netbsd || openbsd)

package dir

import (
	"errors"
	"os"
)

func rmdirAt(*os.File, string) error { return errors.ErrUnsupported }

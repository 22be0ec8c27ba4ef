//go:build !(darwin || dragonfly || freebsd || linux || netbsd || openbsd)

package dir

import (
	"errors"
	"os"
)

const locks = false

func tryLock(*os.File) (bool, error) { return false, errors.ErrUnsupported }

func rmdirAt(*os.File, string) error { return errors.ErrUnsupported }

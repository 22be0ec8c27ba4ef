//go:build !(darwin || dragonfly || freebsd || linux)

package intake

import "os"

// canLock is false: only one process may use a spool, and leftovers go by age.
const canLock = false

func tryLock(*os.File) (bool, error) { return true, nil }

func freeBytes(string) (int64, bool) { return 0, false }

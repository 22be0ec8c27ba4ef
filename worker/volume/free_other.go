//go:build !(darwin || dragonfly || freebsd || linux)

package volume

import "os"

// FreeAt is Free for a file or folder that is open; here nobody tells.
func FreeAt(*os.File) (bytes int64, known bool) { return 0, false }

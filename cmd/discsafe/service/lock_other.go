//go:build !unix

package service

import "os"

// tryLock always succeeds: there, nothing keeps two services from one folder
// but the broker's own lock.
func tryLock(*os.File) (bool, error) { return true, nil }

func freeBytes(string) (int64, bool) { return 0, false }

//go:build !linux

package pipeline

// exchange swaps two folders.
func exchange(a, b string) error { return swap(a, b) }

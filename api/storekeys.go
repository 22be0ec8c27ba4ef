package api

import (
	"slices"

	"discsafe/api/access"
	"discsafe/api/hook"
	"discsafe/api/intake"
)

// StoreKeys are the beginnings of the keys that the API and its parts keep in
// the store beside the ledger's. The last part of a hashed key is the SHA-256 of
// what it holds.
func StoreKeys() (named, hashed []string) {
	named = slices.Concat([]string{pauseKey, presetDir}, access.StoreKeys(), hook.StoreKeys(), intake.StoreKeys())
	return named, []string{intake.MixKeys, planDir}
}

package hook

import (
	"crypto/aes"
	"crypto/cipher"
	"crypto/hkdf"
	"crypto/sha256"
	"encoding/json"
	"errors"
	"fmt"
	"time"
)

const (
	dir    = "hook/"
	schema = "discsafe-hook/1"
	// schemaDecisions is that of hooks that also tell of decisions. A version that
	// does not know them leaves them alone, where it would forget them at the end.
	schemaDecisions = "discsafe-hook/2"
)

// StoreKeys are the beginnings of the keys that hooks are kept under.
func StoreKeys() []string { return []string{dir, waitDir} }

// record is one hook in the store.
type record struct {
	Schema string    `json:"schema"`
	Rev    int64     `json:"rev"` // rises with every write, so that no two contents are alike
	Job    string    `json:"job"`
	Made   time.Time `json:"made"`
	Tries  int       `json:"tries"`
	Next   time.Time `json:"next,omitzero"`  // not tried before
	Lease  time.Time `json:"lease,omitzero"` // being tried by somebody until then
	// Decisions are told too. End says that the end was taken, Told how many decisions.
	Decisions bool `json:"decisions,omitempty"`
	End       bool `json:"end,omitempty"`
	Told      int  `json:"told,omitempty"`
	// Address is an address in JSON; encrypted if Sealed.
	Address []byte `json:"address"`
	Sealed  bool   `json:"sealed,omitempty"`
}

// address is what must not be seen by others than the receiver.
type address struct {
	URL    string `json:"url"`
	Secret string `json:"secret"`
}

func decode(data []byte) (*record, error) {
	var r record
	if err := json.Unmarshal(data, &r); err != nil {
		return nil, errors.New("it is no JSON") // the cause may show a part of it
	}
	if r.Schema != schema && r.Schema != schemaDecisions {
		return nil, fmt.Errorf("its layout is %.40q, this version knows %s and %s", r.Schema, schema, schemaDecisions)
	}
	return &r, nil
}

// sealer encrypts addresses, if it has a key.
type sealer struct{ aead cipher.AEAD }

func newSealer(key []byte) sealer {
	if len(key) == 0 {
		return sealer{}
	}
	k, err := hkdf.Key(sha256.New, key, nil, "discsafe hook address", 32)
	if err != nil {
		panic(err) // 32 bytes of SHA-256 are always to be had
	}
	block, err := aes.NewCipher(k)
	if err != nil {
		panic(err) // 32 bytes are a key
	}
	aead, err := cipher.NewGCMWithRandomNonce(block)
	if err != nil {
		panic(err) // AES has the block size it needs
	}
	return sealer{aead}
}

// put writes an address into a record, bound to its job.
func (s sealer) put(r *record, a address) error {
	data, err := json.Marshal(a)
	if err != nil {
		return fmt.Errorf("writing the hook of job %s: %w", r.Job, err)
	}
	r.Address, r.Sealed = data, s.aead != nil
	if r.Sealed {
		r.Address = s.aead.Seal(nil, nil, data, []byte(r.Job))
	}
	return nil
}

func (s sealer) get(r *record) (a address, err error) {
	data := r.Address
	if r.Sealed {
		if s.aead == nil {
			return a, errors.New("its address is encrypted, and this process has no key")
		}
		if data, err = s.aead.Open(nil, nil, data, []byte(r.Job)); err != nil {
			return a, errors.New("its address was encrypted with another key, or is damaged")
		}
	}
	if err := json.Unmarshal(data, &a); err != nil {
		return a, errors.New("its address is damaged")
	}
	return a, nil
}

package hook_test

import (
	"fmt"
	"io"
	"net/http"
	"time"

	"discsafe/api/hook"
)

// A receiver checks the signature over the bytes as they came, before it reads
// them.
func ExampleVerify() {
	receive := func(w http.ResponseWriter, r *http.Request) {
		body, err := io.ReadAll(http.MaxBytesReader(w, r.Body, 64<<10))
		if err != nil || hook.Verify("the secret of the submission", r.Header, body, time.Now()) != nil {
			w.WriteHeader(http.StatusForbidden)
			return
		}
		w.WriteHeader(http.StatusNoContent)
	}
	http.NewServeMux().HandleFunc("POST /told", receive)
	fmt.Println(hook.Verify("the secret of the submission", http.Header{}, nil, time.Now()))
	// Output: the hook is too old, or from the future
}

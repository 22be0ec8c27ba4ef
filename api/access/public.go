package access

import (
	"net/http"
	"path"
	"strings"
)

// probes are asked all the time, by machines, and carry nothing: they are not
// logged while healthy, nor limited.
var probes = []string{"/healthz", "/readyz"}

func isProbe(method, p string) bool {
	if method != http.MethodGet && method != http.MethodHead {
		return false
	}
	for _, q := range probes {
		if p == q {
			return true
		}
	}
	return false
}

type publicPath struct {
	method string // "" for GET and HEAD
	path   string
	below  bool // all below path, which ends in "/"
}

type publicPaths []publicPath

func newPublicPaths(list []string) publicPaths {
	var out publicPaths
	for _, s := range list {
		method, p, ok := strings.Cut(s, " ")
		if !ok {
			method, p = "", s
		}
		if method == http.MethodGet {
			method = ""
		}
		if p = strings.TrimSpace(p); strings.HasPrefix(p, "/") {
			out = append(out, publicPath{method, p, p != "/" && strings.HasSuffix(p, "/")})
		}
	}
	return out
}

// has says whether a request needs no sign-in. A path that is not in its
// shortest form is never public: the mux may take it for another.
func (l publicPaths) has(method, p string) bool {
	clean := path.Clean(p)
	if p != clean && p != clean+"/" {
		return false
	}
	for _, q := range l {
		if q.method != method && (q.method != "" || (method != http.MethodGet && method != http.MethodHead)) {
			continue
		}
		if p == q.path || q.below && strings.HasPrefix(p, q.path) {
			return true
		}
	}
	return false
}

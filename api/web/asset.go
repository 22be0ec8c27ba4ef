package web

import (
	"bytes"
	"crypto/sha256"
	"encoding/hex"
	"fmt"
	"io/fs"
	"net/http"
	"path"
	"time"
)

type asset struct {
	data []byte
	kind string
	sum  string
}

// assetKinds are the files that pages may load; another kind is a mistake.
var assetKinds = map[string]string{".css": "text/css; charset=utf-8", ".js": "text/javascript; charset=utf-8", ".svg": "image/svg+xml", ".txt": "text/plain; charset=utf-8"}

func readAssets(from fs.FS) (map[string]asset, error) {
	entries, err := fs.ReadDir(from, "assets")
	if err != nil {
		return nil, fmt.Errorf("web: assets: %w", err)
	}
	out := map[string]asset{}
	for _, e := range entries {
		data, err := fs.ReadFile(from, "assets/"+e.Name())
		if err != nil {
			return nil, fmt.Errorf("web: assets: %w", err)
		}
		kind, ok := assetKinds[path.Ext(e.Name())]
		if !ok {
			return nil, fmt.Errorf("web: assets: %s is of no known kind", e.Name())
		}
		sum := sha256.Sum256(data)
		out[e.Name()] = asset{data, kind, hex.EncodeToString(sum[:8])}
	}
	return out, nil
}

// href is the address of an asset: another one for every content, so that
// browsers keep it and yet never use an old one.
func (p *Pages) href(name string) (string, error) {
	a, ok := p.assets[name]
	if !ok {
		return "", fmt.Errorf("no asset %q", name)
	}
	return "/assets/" + name + "?v=" + a.sum, nil
}

func (p *Pages) asset(w http.ResponseWriter, r *http.Request) {
	a, ok := p.assets[r.PathValue("name")]
	if !ok {
		p.missing(w, r)
		return
	}
	h := w.Header()
	h.Set("Content-Type", a.kind)
	h.Set("ETag", `"`+a.sum+`"`)
	h.Set("Cache-Control", "no-cache")
	if r.URL.Query().Get("v") == a.sum {
		h.Set("Cache-Control", "public, max-age=31536000, immutable")
	}
	http.ServeContent(w, r, "", time.Time{}, bytes.NewReader(a.data))
}

package api

import (
	"crypto/sha256"
	"encoding/hex"
	"fmt"
	"net/http"
	"slices"
	"strings"
	"time"

	"discsafe/api/access"
	"discsafe/api/v1"
	"discsafe/api/web"
	"discsafe/pipeline/tones"
)

// testCutRoute gives the files of a test cut, for whom may see its page.
func (s *Server) testCutRoute() web.Route {
	return web.Route{Method: http.MethodGet, Path: "/rooms/tones/{name}", Need: string(access.SignOff), Handler: s.testCutFile}
}

// testCutFile answers with a file as the command writes it. Nothing is stored: the
// address says what there is to know, and sound is made as it is sent.
func (s *Server) testCutFile(w http.ResponseWriter, r *http.Request) {
	name, q := r.PathValue("name"), r.URL.Query()
	if !slices.Contains(tones.Files(), name) {
		access.Refuse(w, r, v1.NewProblem(v1.NotFound, "a test cut has the files "+strings.Join(tones.Files(), ", ")))
		return
	}
	if bad := onceOf(q, "disc", "room"); bad != nil {
		access.Refuse(w, r, bad)
		return
	}
	sheet, err := web.TestCut(q)
	if err != nil {
		s.refuse(w, r, err)
		return
	}
	file, err := sheet.File(name)
	if err != nil {
		s.refuse(w, r, err)
		return
	}
	tag, err := testCutTag(s.o.Version, name, sheet)
	if err != nil {
		s.refuse(w, r, err)
		return
	}
	if name == tones.SoundName && r.Method != http.MethodHead {
		leave := enter(s.testCuts)
		if leave == nil {
			s.turnAway(w, r, v1.NewProblem(v1.TooMany, "too many test cuts are being sent").After(10*time.Second))
			return
		}
		defer leave()
	}
	h := w.Header()
	kind, how := "text/plain; charset=utf-8", "attachment"
	if name != tones.TextName {
		kind, _ = kindOf(name)
	}
	if name == tones.PageName {
		how = "inline"
		h.Set("Content-Security-Policy", pagePolicy)
	}
	h.Set("Content-Type", kind)
	h.Set("Content-Disposition", disposition(how, name))
	h.Set("ETag", tag)
	h.Set("Cache-Control", "private, no-cache")
	s.content(w, r, file)
}

// testCutTag names the bytes of a file: they follow from the sheet and the program.
func testCutTag(version, name string, sheet *tones.Sheet) (string, error) {
	text, err := sheet.JSON()
	if err != nil {
		return "", err
	}
	h := sha256.New()
	fmt.Fprintf(h, "1 %q %s\n%s", version, name, text)
	return `"` + hex.EncodeToString(h.Sum(nil)) + `"`, nil
}

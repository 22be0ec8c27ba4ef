package api

import (
	"context"
	"crypto/sha256"
	"encoding/hex"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"net/http"
	"slices"
	"strings"

	"discsafe/api/access"
	"discsafe/api/v1"
	"discsafe/pipeline/sideplan"
	"discsafe/worker/store"

	"github.com/danielgtaylor/huma/v2"
)

// Bounds of presets.
const (
	maxPresets     = 100 // of one studio
	maxPresetBytes = 64 << 10
	presetDir      = "preset/"
)

func (s *Server) registerPresets() {
	t, doc := s.routes, s.routes.doc
	submit := need(access.Submit)
	name := inPath("name", text("1 to 60 letters, digits, blanks and . _ -; a letter or digit first, no blank or full stop last"))
	studio := inQuery("studio", text("For engineers and operators: whose"))
	route := func(method, path, id, summary, what string, responses map[string]*huma.Response, h http.HandlerFunc, codes ...v1.Code) {
		o := op(method, path, id, "presets", summary, what)
		o.Parameters = []*huma.Param{studio}
		if strings.Contains(path, "{name}") {
			o.Parameters = append(o.Parameters, name)
		}
		if method == http.MethodDelete {
			o.Parameters = append(o.Parameters, inHeader("If-Match", text("ETag of what is to be forgotten")))
		}
		if method == http.MethodPut {
			o.Parameters = append(o.Parameters, inHeader("If-Match", text("ETag of what is to be replaced")), inHeader("If-None-Match", text("*: only if there is none of that name")))
			o.RequestBody = &huma.RequestBody{Required: true, Content: jsonOf[v1.Preset](doc)}
		}
		o.Responses = responses
		t.plain(submit, o, h, append(codes, v1.Invalid, v1.Unavailable)...)
	}
	one := map[string]*huma.Response{"200": {Description: "The preset", Content: jsonOf[v1.Preset](doc), Headers: headers(map[string]string{"ETag": "Of its bytes"})}}
	route(http.MethodGet, "/v1/presets", "presets", "A studio's presets, by name", "", map[string]*huma.Response{"200": {Description: "All of them", Content: jsonOf[v1.Presets](doc)}}, s.listPresets)
	route(http.MethodGet, "/v1/presets/{name}", "preset", "One preset", "", one, s.onePreset, v1.NotFound)
	route(http.MethodPut, "/v1/presets/{name}", "keepPreset", "Keep settings for the next plan", "Fields that a plan refuses are refused here too. The same name again replaces.", one, s.keepPreset, v1.BadRequest, v1.BadPlan, v1.TooLarge, v1.Conflict, v1.DiskFull)
	route(http.MethodDelete, "/v1/presets/{name}", "deletePreset", "Forget a preset", "One that is not there is fine.", map[string]*huma.Response{"204": {Description: "It is not there"}}, s.deletePreset, v1.Conflict)
}

// presetOwner is whose presets are asked for, and under which name.
func presetOwner(r *http.Request) (studio, name string, err error) {
	id, _ := access.From(r.Context())
	for q, v := range r.URL.Query() {
		if q != "studio" || len(v) > 1 {
			return "", "", invalid("query."+q, "unknown query parameter")
		}
	}
	studio, p := studioFor(id, r.URL.Query().Get("studio"))
	if p != nil {
		return "", "", p
	}
	if name = r.PathValue("name"); name != "" && !v1.PresetForm.MatchString(name) {
		return "", "", invalid("name", "want 1 to 60 letters, digits, blanks and . _ -, a letter or digit first, no blank or full stop last")
	}
	return studio, name, nil
}

func presetKey(studio, name string) string {
	sum := sha256.Sum256([]byte(name))
	return presetDir + studio + "/" + hex.EncodeToString(sum[:])
}

func presetTag(data []byte) string {
	sum := sha256.Sum256(data)
	return `"` + hex.EncodeToString(sum[:]) + `"`
}

func (s *Server) listPresets(w http.ResponseWriter, r *http.Request) {
	studio, _, err := presetOwner(r)
	if err != nil {
		s.refuse(w, r, err)
		return
	}
	out, err := s.presetsOf(r.Context(), studio)
	if err != nil {
		s.refuse(w, r, err)
		return
	}
	write(w, http.StatusOK, v1.Presets{Presets: out})
}

func (s *Server) presetsOf(ctx context.Context, studio string) ([]v1.Preset, error) {
	out := []v1.Preset{}
	for o, err := range store.All(ctx, s.o.Store, presetDir+studio+"/") {
		if err != nil {
			return nil, err
		}
		data, _, err := store.Read(ctx, s.o.Store, o.Key)
		if isNotFound(err) {
			continue // deleted meanwhile
		}
		var p v1.Preset
		if err == nil {
			err = json.Unmarshal(data, &p)
		}
		if err != nil {
			return nil, fmt.Errorf("preset %s: %w", o.Key, err)
		}
		out = append(out, p)
	}
	slices.SortFunc(out, func(a, b v1.Preset) int { return strings.Compare(a.Name, b.Name) })
	return out, nil
}

func (s *Server) onePreset(w http.ResponseWriter, r *http.Request) {
	studio, name, err := presetOwner(r)
	if err != nil {
		s.refuse(w, r, err)
		return
	}
	data, _, err := store.Read(r.Context(), s.o.Store, presetKey(studio, name))
	if isNotFound(err) {
		err = v1.NewProblem(v1.NotFound, "no such preset")
	}
	if err != nil {
		s.refuse(w, r, err)
		return
	}
	s.givePreset(w, data)
}

func (s *Server) givePreset(w http.ResponseWriter, data []byte) {
	w.Header().Set("ETag", presetTag(data))
	w.Header().Set("Cache-Control", "private, no-cache")
	write(w, http.StatusOK, json.RawMessage(data))
}

func (s *Server) keepPreset(w http.ResponseWriter, r *http.Request) {
	studio, name, err := presetOwner(r)
	if err != nil {
		s.refuse(w, r, err)
		return
	}
	raw, err := io.ReadAll(http.MaxBytesReader(w, r.Body, maxPresetBytes))
	if err != nil {
		s.refuse(w, r, broken(err))
		return
	}
	var p v1.Preset
	if err := json.Unmarshal(raw, &p); err != nil {
		s.refuse(w, r, v1.NewProblem(v1.BadRequest, "the body is no preset: "+err.Error()))
		return
	}
	if p.Name != "" && p.Name != name {
		s.refuse(w, r, invalid("name", "is another than in the address"))
		return
	}
	p.Name = name
	if err := checkPreset(p); err != nil {
		s.refuse(w, r, err)
		return
	}
	data, err := json.Marshal(p)
	if err == nil {
		err = s.storePreset(r.Context(), studio, name, data, r.Header.Get("If-Match"), r.Header.Get("If-None-Match") == "*")
	}
	if err != nil {
		s.refuse(w, r, err)
		return
	}
	s.givePreset(w, data)
}

// checkPreset holds the settings against the rules of plans, by a plan that has
// nothing else.
func checkPreset(p v1.Preset) error {
	var fields map[string]json.RawMessage
	if err := json.Unmarshal(p.Plan, &fields); err != nil || fields == nil {
		return invalid("plan", "want a mapping of plan fields")
	}
	for name := range fields {
		if !slices.Contains(v1.PresetParts(), name) {
			return invalid("plan."+name, "a preset keeps "+strings.Join(v1.PresetParts(), ", "))
		}
	}
	fields["side"] = json.RawMessage(`"A"`)
	fields["tracks"] = json.RawMessage(`[{"file":"mix.wav"}]`)
	text, err := json.Marshal(fields)
	if err != nil {
		return invalid("plan", err.Error())
	}
	if _, err = sideplan.Parse("preset", text); err != nil {
		return badPlan(err)
	}
	return nil
}

// matchPreset holds what a request's If-Match names against what is there.
func matchPreset(ifMatch string, was []byte, gone bool) error {
	if ifMatch != "" && (gone || ifMatch != "*" && ifMatch != presetTag(was)) {
		return v1.NewProblem(v1.Conflict, "the preset is not the one that If-Match names")
	}
	return nil
}

func (s *Server) storePreset(ctx context.Context, studio, name string, data []byte, ifMatch string, onlyNew bool) error {
	key := presetKey(studio, name)
	was, version, err := store.Read(ctx, s.o.Store, key)
	isNew := isNotFound(err)
	if err != nil && !isNew {
		return err
	}
	if err := matchPreset(ifMatch, was, isNew); err != nil {
		return err
	}
	if onlyNew && !isNew {
		return v1.NewProblem(v1.Conflict, "there is a preset of that name already")
	}
	if isNew {
		version = ""
		n := 0
		for _, err := range store.All(ctx, s.o.Store, presetDir+studio+"/") {
			if err != nil {
				return err
			}
			if n++; n >= maxPresets {
				return invalid("name", fmt.Sprintf("there are %d presets already; delete one", maxPresets))
			}
		}
	}
	_, err = s.o.Store.Swap(ctx, key, version, data)
	if errors.Is(err, store.ErrConflict) {
		return v1.NewProblem(v1.Conflict, "")
	}
	return err
}

func (s *Server) deletePreset(w http.ResponseWriter, r *http.Request) {
	studio, name, err := presetOwner(r)
	// The store deletes whatever is there: a change between the two is lost.
	if want := r.Header.Get("If-Match"); err == nil && want != "" {
		var was []byte
		was, _, err = store.Read(r.Context(), s.o.Store, presetKey(studio, name))
		if gone := isNotFound(err); err == nil || gone {
			err = matchPreset(want, was, gone)
		}
	}
	if err == nil {
		err = s.o.Store.Delete(r.Context(), presetKey(studio, name))
	}
	if err != nil {
		s.refuse(w, r, err)
		return
	}
	w.WriteHeader(http.StatusNoContent)
}

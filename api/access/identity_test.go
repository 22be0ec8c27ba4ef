package access

import (
	"context"
	"net/http/httptest"
	"slices"
	"testing"

	v1 "discsafe/api/v1"
)

func TestWhoMayWhat(t *testing.T) {
	for name, c := range map[string]struct {
		id   Identity
		may  []Permission
		sees []string
	}{
		"nobody":               {Identity{}, nil, nil},
		"studio":               {Identity{Role: v1.RoleStudio, Studio: "a"}, []Permission{Submit, Read, Listen, Manage}, []string{"a"}},
		"studio without name":  {Identity{Role: v1.RoleStudio}, nil, nil},
		"engineer":             {Identity{Role: v1.RoleEngineer}, []Permission{Submit, Read, Listen, Manage, SignOff}, []string{"a", "b"}},
		"operator":             {Identity{Role: v1.RoleOperator}, []Permission{Submit, Read, Manage, Operate, ManageTokens}, []string{"a", "b"}},
		"unknown role":         {Identity{Role: "root", Studio: "a"}, nil, nil},
		"no sign-in":           {Open(), Permissions(), []string{"a", "b"}},
		"role in another case": {Identity{Role: "Operator"}, nil, nil},
	} {
		t.Run(name, func(t *testing.T) {
			for _, p := range append(Permissions(), "", "everything") {
				if got, want := c.id.May(p), slices.Contains(c.may, p); got != want {
					t.Errorf("may %q: %v, want %v", p, got, want)
				}
				w := httptest.NewRecorder()
				r := httptest.NewRequest("GET", "/", nil)
				_, ok := Require(w, r.WithContext(With(context.Background(), c.id)), p)
				if ok != slices.Contains(c.may, p) || !ok && w.Code != 403 {
					t.Errorf("require %q: %v, status %d", p, ok, w.Code)
				}
			}
			for _, studio := range []string{"a", "b"} {
				if got, want := c.id.Sees(studio), slices.Contains(c.sees, studio); got != want {
					t.Errorf("sees %q: %v, want %v", studio, got, want)
				}
			}
			if len(c.sees) < 2 && c.id.Sees("") {
				t.Error("sees the studio without a name")
			}
		})
	}
}

func TestRequireWithoutIdentity(t *testing.T) {
	w := httptest.NewRecorder()
	if _, ok := Require(w, httptest.NewRequest("GET", "/", nil), Read); ok || w.Code != 401 || w.Header().Get("WWW-Authenticate") == "" {
		t.Errorf("%v, status %d, %v", ok, w.Code, w.Header())
	}
}

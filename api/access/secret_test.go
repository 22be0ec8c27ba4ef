package access

import (
	"net/url"
	"regexp"
	"strings"
	"testing"

	"pgregory.net/rapid"
)

var pattern = regexp.MustCompile(`^` + SecretPattern + `$`)

func TestSecretsHaveTheirForm(t *testing.T) {
	seen := map[string]bool{}
	for range 200 {
		for _, prefix := range []string{TokenPrefix, sessionPrefix} {
			s := newSecret(prefix)
			if !pattern.MatchString(s) || !wellFormed(prefix, s) || seen[s] {
				t.Fatalf("%q: not of the form, or made twice", s)
			}
			seen[s] = true
			if other := map[string]string{TokenPrefix: sessionPrefix, sessionPrefix: TokenPrefix}[prefix]; wellFormed(other, other+s[len(other):]) {
				t.Fatalf("%q passes under the prefix %s", s, other)
			}
		}
	}
}

// CRC is linear: whether a changed character is found does not depend on the
// secret, so that one secret stands for all.
func TestEveryWrongCharacterIsFound(t *testing.T) {
	s := newSecret(TokenPrefix)
	for i := len(TokenPrefix); i < len(s); i++ {
		for _, c := range "abcdefghijklmnopqrstuvwxyz234567" {
			if byte(c) == s[i] {
				continue
			}
			if bad := s[:i] + string(c) + s[i+1:]; wellFormed(TokenPrefix, bad) {
				t.Fatalf("character %d as %c passes", i, c)
			}
		}
	}
}

func TestWhatIsNoSecret(t *testing.T) {
	s := newSecret(TokenPrefix)
	for name, bad := range map[string]string{
		"empty": "", "prefix only": TokenPrefix, "cut": s[:len(s)-1], "longer": s + "a", "upper case": strings.ToUpper(s),
		"other prefix": "abc_" + s[4:], "huge": strings.Repeat(s, 10000), "line end within": s[:20] + "\n" + s[21:],
		"carriage returns within": s[:20] + "\r\r\r\r" + s[24:], "zero bytes": s[:30] + strings.Repeat("\x00", 30), "not UTF-8": s[:59] + "\xff",
	} {
		if wellFormed(TokenPrefix, bad) {
			t.Errorf("%s passes", name)
		}
	}
}

func FuzzWellFormed(f *testing.F) {
	f.Add(newSecret(TokenPrefix))
	f.Add("dsk_")
	f.Add("")
	f.Fuzz(func(t *testing.T, s string) {
		if wellFormed(TokenPrefix, s) && !pattern.MatchString(s) {
			t.Fatalf("%q passes, and a canary would not find it", s)
		}
	})
}

func TestSecretInAddress(t *testing.T) {
	s := newSecret(TokenPrefix)
	once := strings.ReplaceAll(s, "_", "%5F")
	for name, c := range map[string]struct {
		target string
		want   bool
	}{
		"none":                  {"/v1/jobs?limit=10", false},
		"prefix as a word":      {"/v1/jobs?q=dsk_notes", false},
		"query":                 {"/v1/jobs?token=" + s, true},
		"name of a parameter":   {"/v1/jobs?" + s, true},
		"path":                  {"/v1/jobs/" + s, true},
		"within a part":         {"/v1/jobs/x" + s + "y", true},
		"escaped":               {"/v1/jobs?k=" + once, true},
		"escaped in the path":   {"/v1/" + once, true},
		"escaped twice":         {"/v1/jobs?k=" + strings.ReplaceAll(once, "%", "%25"), true},
		"cut short":             {"/v1/jobs?k=" + s[:30], true},
		"capitals":              {"/v1/jobs?k=" + strings.ToUpper(s), true},
		"session":               {"/v1/jobs?k=" + newSecret(sessionPrefix), true},
		"access_token":          {"/v1/jobs?access_token=x", true},
		"access_token, escaped": {"/v1/jobs?acc%65ss_token=x", true},
		"as a value":            {"/v1/jobs?q=access_token", false},
	} {
		u, err := url.Parse(c.target)
		if err != nil {
			t.Fatal(err)
		}
		if got := secretInURL(u); got != c.want {
			t.Errorf("%s: %v, want %v", name, got, c.want)
		}
	}
}

func TestScrubLeavesNoSecret(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		text := rapid.String().Draw(t, "before") + newSecret(rapid.SampledFrom([]string{TokenPrefix, sessionPrefix}).Draw(t, "prefix")) + rapid.String().Draw(t, "after")
		if got := Scrub(text); likely.MatchString(got) || !strings.Contains(got, "REMOVED") {
			t.Fatalf("%q", got)
		}
	})
}

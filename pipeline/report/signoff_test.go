package report

import (
	"bytes"
	"strings"
	"testing"
	"time"
)

func TestSignedSheet(t *testing.T) {
	at := time.Date(2031, 3, 4, 17, 5, 0, 0, time.FixedZone("", 3600))
	tests := []struct {
		name      string
		signed    *SignOff
		has, lack []string
	}{
		{"to be signed by hand", nil, []string{"Listened to, engineer", "☐ approved", "☐ returned", "Cut by", "Lacquer checked by"}, []string{`class="signed`}},
		{"approved", &SignOff{Approved: true, Name: "Ada Grooveworth", At: at, Note: "Track 3 is bright but meant so.", Attempt: 2, ManifestSHA256: hash("a")},
			[]string{"● </span> approved for cutting", "Listened to and approved by Ada Grooveworth on 4 March 2031, 16:05 UTC.", "Track 3 is bright but meant so.", "Attempt 2, the files of the manifest below and no others.", hash("a"), "Cut by"}, []string{"Listened to, engineer", "☐ approved"}},
		{"returned", &SignOff{Name: "Ada Grooveworth", At: at, Note: "Bass out of phase."}, []string{"■ </span> returned to the studio, not for cutting", "Returned by Ada Grooveworth", "Bass out of phase."}, []string{"Listened to and approved"}},
		{"hostile text", &SignOff{Approved: true, Name: `<script>x</script>`, At: at, Note: `"><img src=x>`}, []string{"&lt;script&gt;"}, []string{"<script", "<img"}},
	}
	for _, tc := range tests {
		t.Run(tc.name, func(t *testing.T) {
			var b bytes.Buffer
			if err := WriteSignedSheet(&b, fixture(), tc.signed); err != nil {
				t.Fatal(err)
			}
			page := strings.ReplaceAll(b.String(), `</span> `, ` </span> `)
			for _, s := range tc.has {
				if !strings.Contains(page, s) {
					t.Errorf("sheet does not say %q", s)
				}
			}
			for _, s := range tc.lack {
				if strings.Contains(page, s) {
					t.Errorf("sheet says %q", s)
				}
			}
		})
	}
	t.Run("an analysis has no sheet to sign", func(t *testing.T) {
		if err := WriteSignedSheet(&bytes.Buffer{}, analysed(), nil); err == nil {
			t.Error("a sheet was made of a side that was never written")
		}
	})
}

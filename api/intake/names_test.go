package intake

import (
	"crypto/sha256"
	"encoding/hex"
	"fmt"
	"io/fs"
	"net/url"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"unicode"
	"unicode/utf8"

	"discsafe/worker/store/dir"
)

// hostileNames are names that climb, hide, end early, lie about their direction
// or length, or mean something to some file system or shell.
func hostileNames() []string {
	names := []string{
		"", " ", ".", "..", "...", "/", "\\", "//", "~", "~root", "-", "-rf", "--", "*", "?", "|", ";", "&", "$HOME", "`id`", "$(id)", "%00", "%2e%2e%2f", "..%2f..%2fetc%2fpasswd",
		"..%c0%af..%c0%afetc", "..%255c..%255cboot.ini", "\x00", "a\x00.wav", "a.wav\x00.exe", "a\nb", "a\r\nX-Evil: 1", "a\tb", "a\x1b[31mred", "a\x7fb", "\u202egnp.wav", "\u2066x\u2069", "\u200b", "\ufeffa.wav",
		"a\u0301.wav", "\u00e1.wav", "\ufb01.wav", "\uff0e\uff0e\uff0fetc", "\u2024\u2024/etc", "\u2215etc\u2215passwd", "\U0001F3B5.wav", "\xff\xfe\xfd", "\xc0\xae\xc0\xae/", "\xed\xa0\x80", "\xf4\x90\x80\x80",
		"CON", "con.wav", "NUL", "AUX", "COM1", "LPT1.wav", "a.wav:stream", "a.wav::$DATA", "C:\\windows\\x", "C:x", "\\\\host\\share\\x", "\\\\?\\C:\\x", "file:///etc/passwd", "http://x/y.wav", "a.wav.", "a.wav ", " a.wav",
		".htaccess", ".git/config", ".info", "x.info", "x.lock", "x.part", "lost+found", "<script>alert(1)</script>", "'; DROP TABLE mixes; --", "\"quoted\".wav", "{{.}}", "${jndi:x}", "%s%n%x", "\\x00", "\\u0000", "a,b", "a;filename=b", "a=b",
		strings.Repeat("a", 255), strings.Repeat("a", 256), strings.Repeat("a", 4096), strings.Repeat("../", 1300), strings.Repeat("\u00e9", 2048), strings.Repeat("\xff", 4096), strings.Repeat(" ", 4000), strings.Repeat("a/", 2000) + "x",
	}
	for depth := 1; depth <= 12; depth++ {
		for _, up := range []string{"../", "..\\", "/../", "....//", "%2e%2e/", "./../", "..;/"} {
			names = append(names, strings.Repeat(up, depth)+"escaped")
		}
	}
	for _, target := range []string{"/etc/passwd", "/tmp/escaped", "/proc/self/environ", "/dev/null", "/escaped", "store/escaped", "../store/mix/north/x", "../spool/tus/x", "done/north/x", "../outside/kept"} {
		names = append(names, target, "x/../.."+target, target+"\x00.wav", "/"+target, strings.ReplaceAll(target, "/", "\\"))
	}
	return names
}

// around hashes everything below root but what lies in the given folders.
func around(t *testing.T, root string, but ...string) string {
	t.Helper()
	h := sha256.New()
	err := filepath.WalkDir(root, func(path string, d fs.DirEntry, err error) error {
		if err != nil {
			return err
		}
		for _, b := range but {
			if path == b {
				return fs.SkipDir
			}
		}
		st, err := d.Info()
		if err != nil {
			return err
		}
		fmt.Fprintf(h, "%q %v %v\n", path, st.Mode(), d.IsDir())
		if st.Mode().IsRegular() {
			data, err := os.ReadFile(path)
			if err != nil {
				return err
			}
			fmt.Fprintf(h, "%d %q\n", st.ModTime().UnixNano(), data)
		}
		return nil
	})
	if err != nil {
		t.Fatal(err)
	}
	return hex.EncodeToString(h.Sum(nil))
}

func TestHostileNamesStayNames(t *testing.T) {
	names := hostileNames()
	if len(names) < 200 {
		t.Fatalf("only %d names", len(names))
	}
	root := t.TempDir()
	storeDir, spool := filepath.Join(root, "a", "store"), filepath.Join(root, "a", "spool")
	for _, d := range []string{filepath.Dir(spool), filepath.Join(root, "a", "outside"), filepath.Join(root, "outside")} {
		if err := os.MkdirAll(d, 0o700); err != nil {
			t.Fatal(err)
		}
		if err := os.WriteFile(filepath.Join(d, "kept"), []byte(d), 0o600); err != nil {
			t.Fatal(err)
		}
	}
	d, err := dir.Open(storeDir, dir.Options{Create: true})
	if err != nil {
		t.Fatal(err)
	}
	h := newHouse(t, func(o *Options) { o.Store, o.Spool, o.Limits.MinFree = d, spool, -1 })
	before := around(t, root, storeDir, spool)
	for i, name := range names {
		content := fmt.Sprint("content ", i)
		switch i % 3 {
		case 0:
			a := h.do("POST", "/v1/uploads", asStudio, strings.NewReader(content), "Tus-Resumable", "1.0.0", "Upload-Length", fmt.Sprint(len(content)),
				"Content-Type", "application/offset+octet-stream", "Upload-Metadata", metadata("filename", name))
			if a.StatusCode != 201 || a.Header.Get(MixHeader) != shaOf(content) {
				t.Fatalf("tus, %q: %d %s", name, a.StatusCode, a.body)
			}
		case 1:
			a := h.do("PUT", "/v1/mixes/"+shaOf(content)+"?name="+url.QueryEscape(name), asStudio, strings.NewReader(content))
			if a.StatusCode != 201 {
				t.Fatalf("put, %q: %d %s", name, a.StatusCode, a.body)
			}
		case 2:
			esc := strings.NewReplacer("\\", "\\\\", "\"", "\\\"", "\r", "", "\n", "", "\x00", "").Replace(name)
			body := "--b\r\nContent-Disposition: form-data; name=\"f\"; filename=\"" + esc + "\"\r\n\r\n" + content + "\r\n--b--\r\n"
			a := h.do("POST", "/v1/mixes", asStudio, strings.NewReader(body), "Content-Type", "multipart/form-data; boundary=b")
			// A name that is no header at all is refused with the whole form.
			if a.StatusCode != 201 && a.StatusCode != 400 {
				t.Fatalf("form, %q: %d %s", name, a.StatusCode, a.body)
			}
			if a.StatusCode == 400 {
				continue
			}
		}
		m, err := h.in.Find(t.Context(), "north", shaOf(content))
		if err != nil {
			t.Fatalf("%q: %v", name, err)
		}
		checkClean(t, m.Name)
	}
	if after := around(t, root, storeDir, spool); after != before {
		t.Error("something outside store and spool has changed")
	}
	// Within them, names are ours.
	for _, f := range append(tree(t, spool), tree(t, storeDir)...) {
		rel, err := filepath.Rel(filepath.Join(root, "a"), f)
		if err != nil || strings.Contains(rel, "escaped") || strings.Contains(rel, "passwd") {
			t.Errorf("made by a name: %q", f)
		}
	}
	// Identifiers in the path of a request are no paths either.
	for _, name := range names {
		for _, path := range []string{"/v1/uploads/", "/v1/uploads/north."} {
			a := h.do("DELETE", path+url.PathEscape(name)+"%00", asStudio, nil, "Tus-Resumable", "1.0.0")
			if a.StatusCode < 300 || a.StatusCode >= 500 {
				t.Errorf("DELETE %s%q: %d", path, name, a.StatusCode)
			}
		}
	}
	if after := around(t, root, storeDir, spool); after != before {
		t.Error("something outside store and spool has changed")
	}
}

func checkClean(t *testing.T, name string) {
	t.Helper()
	if len(name) > maxName || !utf8.ValidString(name) {
		t.Errorf("name of %d bytes, valid %v", len(name), utf8.ValidString(name))
	}
	for _, r := range name {
		if unicode.IsControl(r) || unicode.Is(unicode.Bidi_Control, r) {
			t.Errorf("name %q holds %U", name, r)
		}
	}
	if again := cleanName(name); again != name {
		t.Errorf("%q becomes %q", name, again)
	}
}

func FuzzMetadata(f *testing.F) {
	for _, s := range []string{"", "filename YS53YXY=", "filename YS53YXY=,sha256 YQ==", "a,b", "a  b", ",", "a b c", "filename \x00", "k", strings.Repeat("a,", 100)} {
		f.Add(s)
	}
	f.Fuzz(func(t *testing.T, header string) {
		meta, err := parseMetadata(header)
		if err != nil {
			if meta != nil {
				t.Error("metadata beside an error")
			}
			return
		}
		total := 0
		for k, v := range meta {
			if k == "" || strings.ContainsAny(k, " ,") {
				t.Errorf("key %q", k)
			}
			total += len(k) + len(v)
			checkClean(t, cleanName(v))
		}
		if total > len(header) {
			t.Errorf("%d bytes from %d", total, len(header))
		}
	})
}

package lab

import (
	"bufio"
	"encoding/json"
	"os"
	"path/filepath"
	"strings"
)

// Line is one line of a log of ours.
type Line map[string]any

// Text is a field, "" if it is not there.
func (n Line) Text(name string) string { s, _ := n[name].(string); return s }

// Logs reads the lines of all logs whose file name begins with prefix and that
// pick takes. Lines that are no JSON, a panic for instance, come as their text
// under "raw".
func (l *Lab) Logs(prefix string, pick func(Line) bool) ([]Line, error) {
	names, err := filepath.Glob(filepath.Join(l.Dir, "logs", prefix+"*.log"))
	if err != nil {
		return nil, err
	}
	var found []Line
	for _, name := range names {
		f, err := os.Open(name)
		if err != nil {
			return nil, err
		}
		s := bufio.NewScanner(f)
		s.Buffer(nil, 4<<20)
		for s.Scan() {
			n := Line{}
			if json.Unmarshal(s.Bytes(), &n) != nil {
				n = Line{"raw": s.Text()}
			}
			n["file"] = strings.TrimSuffix(filepath.Base(name), ".log")
			if pick(n) {
				found = append(found, n)
			}
		}
		err = s.Err()
		f.Close()
		if err != nil {
			return nil, err
		}
	}
	return found, nil
}

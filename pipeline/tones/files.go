package tones

import (
	"bytes"
	"fmt"
	"io"
)

// Names of the files of a test cut.
const (
	SoundName = "tones.wav"
	PageName  = "tones-sheet.html" // to print
	TextName  = "tones-sheet.txt"
	JSONName  = "tones-sheet.json" // for package roomfit
)

// Files lists the names, the one that makes the others whole last.
func Files() []string { return []string{SoundName, PageName, TextName, JSONName} }

// File is the file of that name, one of Files. Whoever writes or sends a test
// cut takes it from here, so that it is the same everywhere. Use it from one
// goroutine.
func (s *Sheet) File(name string) (io.ReadSeeker, error) {
	var b bytes.Buffer
	var err error
	switch name {
	case SoundName:
		return s.Sound()
	case PageName:
		err = s.WriteHTML(&b)
	case TextName:
		err = s.WriteText(&b)
	case JSONName:
		var text []byte
		text, err = s.JSON()
		b.Write(text)
	default:
		err = fmt.Errorf("a test cut has no file %q; it has %v", name, Files())
	}
	if err != nil {
		return nil, err
	}
	return bytes.NewReader(b.Bytes()), nil
}

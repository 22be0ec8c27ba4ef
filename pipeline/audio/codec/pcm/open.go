package pcm

import (
	"errors"
	"io"
	"io/fs"
	"os"

	"discsafe/pipeline/audio"
)

// OpenFile opens a regular file for a container reader and returns its length
// in bytes. Anything else (missing, folder, pipe, device) is an
// *audio.FormatError with code prefix-open that wraps the cause.
func OpenFile(path, prefix string) (*os.File, int64, error) {
	fail := func(err error) error {
		var pe *fs.PathError
		if errors.As(err, &pe) {
			err = pe.Err // the path is in the message already
		}
		return &audio.FormatError{File: path, Code: prefix + "-open", AtS: -1, Detail: "cannot be opened", Err: err}
	}
	// Looking first keeps a named pipe from blocking the open.
	if st, err := os.Stat(path); err != nil {
		return nil, 0, fail(err)
	} else if !st.Mode().IsRegular() {
		return nil, 0, fail(errors.New("not a regular file"))
	}
	f, err := os.Open(path)
	if err != nil {
		return nil, 0, fail(err)
	}
	st, err := f.Stat()
	if err != nil {
		return nil, 0, CloseAfter(fail(err), f)
	}
	return f, st.Size(), nil
}

// CloseAfter closes c because of err and returns err, with the error of
// closing joined to it if there is one.
func CloseAfter(err error, c io.Closer) error {
	if cerr := c.Close(); cerr != nil {
		return errors.Join(err, cerr)
	}
	return err
}

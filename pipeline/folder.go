package pipeline

import (
	"errors"
	"fmt"
	"io/fs"
	"os"
	"path/filepath"

	"discsafe/pipeline/report"
)

// FolderError is an output folder that cannot be used.
type FolderError struct {
	Dir, Detail, Hint string
	File              string // in it that no earlier result wrote, if that is why
	Err               error
}

func (e *FolderError) Error() string {
	s := "output folder " + e.Dir + ": " + e.Detail
	if e.File != "" {
		s += ", for instance " + e.File
	}
	if e.Err != nil {
		s += ": " + e.Err.Error()
	}
	if e.Hint != "" {
		s += "; " + e.Hint
	}
	return s
}

// Unwrap returns the cause.
func (e *FolderError) Unwrap() error { return e.Err }

// folder makes a result appear whole or not at all: files are written into a
// hidden folder beside the wanted one, synced, and the folder is renamed.
type folder struct {
	dir, work string
	replace   bool
	done      bool
}

// PutFolder has fill write a result into a hidden folder and then puts that in
// the place of dir, as Prepare does with its own: whole or not at all, over
// nothing but an earlier result, and, if it is an analysis, not over a prepared
// side. Errors: *FolderError, or what fill returned; then dir is as it was.
func PutFolder(dir string, analysis bool, fill func(work string) error) (err error) {
	f, err := newFolder(dir, analysis)
	if err != nil {
		return err
	}
	defer func() { err = errors.Join(err, f.abandon()) }()
	if err := fill(f.work); err != nil {
		return err
	}
	return f.commit()
}

// CheckFolder says whether PutFolder would take dir, and changes nothing.
func CheckFolder(dir string, analysis bool) error {
	_, err := lookAt(dir, analysis)
	return err
}

// newFolder checks that dir may be written and makes the working folder.
func newFolder(dir string, analysis bool) (*folder, error) {
	f, err := lookAt(dir, analysis)
	if err != nil {
		return nil, err
	}
	parent := filepath.Dir(f.dir)
	if err := os.MkdirAll(parent, 0o777); err != nil {
		return nil, &FolderError{Dir: dir, Detail: "its parent cannot be made", Err: err}
	}
	f.work, err = os.MkdirTemp(parent, "."+filepath.Base(f.dir)+".partial-")
	if err != nil {
		return nil, &FolderError{Dir: dir, Detail: "cannot write beside it", Err: err, Hint: "check permissions and free space"}
	}
	if err := os.Chmod(f.work, 0o755); err != nil {
		return nil, errors.Join(err, f.abandon())
	}
	return f, nil
}

// lookAt checks whether a result may take the place of dir.
func lookAt(dir string, analysis bool) (*folder, error) {
	if dir == "" {
		return nil, &FolderError{Dir: `""`, Detail: "no folder given", Hint: "give one with --out"}
	}
	abs, err := filepath.Abs(dir)
	if err != nil {
		return nil, &FolderError{Dir: dir, Detail: "cannot be resolved", Err: err}
	}
	if real, err := filepath.EvalSymlinks(abs); err == nil {
		abs = real // write where a link points, not over the link
	}
	f := &folder{dir: abs}
	entries, err := os.ReadDir(abs)
	switch {
	case errors.Is(err, fs.ErrNotExist):
	case err != nil:
		return nil, &FolderError{Dir: dir, Detail: "cannot be read as a folder", Err: err, Hint: "choose another"}
	case len(entries) > 0:
		if name := foreign(abs, entries); name != "" {
			return nil, &FolderError{Dir: dir, Detail: "exists and holds files that are not a discsafe result", File: name, Hint: "choose a new or empty folder"}
		}
		f.replace = true
	default:
		f.replace = true
	}
	if analysis {
		return f, f.keepsPremaster()
	}
	return f, nil
}

// keepsPremaster refuses a folder that holds a prepared side: an analysis must
// not take its place.
func (f *folder) keepsPremaster() error {
	if !f.replace {
		return nil
	}
	if _, err := os.Lstat(filepath.Join(f.dir, PremasterName)); errors.Is(err, fs.ErrNotExist) {
		return nil
	} else if err != nil {
		return &FolderError{Dir: f.dir, Detail: "cannot be read as a folder", Err: err, Hint: "choose another"}
	}
	return &FolderError{Dir: f.dir, Detail: "holds a prepared side, which an analysis does not replace", Hint: "choose a new or empty folder"}
}

// foreign names a file in dir that an earlier result did not write, "" if there
// is none: only a folder that is a result and nothing else is replaced.
func foreign(dir string, entries []fs.DirEntry) string {
	m, err := readFile(filepath.Join(dir, report.ManifestName), report.ReadManifest)
	if err != nil {
		return entries[0].Name()
	}
	ours := map[string]bool{report.ManifestName: true}
	for _, o := range m.Outputs {
		ours[o.Name] = true
	}
	for _, e := range entries {
		if !ours[e.Name()] || !e.Type().IsRegular() {
			return e.Name()
		}
	}
	return ""
}

func (f *folder) path(name string) string { return filepath.Join(f.work, name) }

// write makes one file whole: create, write, sync, close.
func (f *folder) write(name string, fill func(*os.File) error) (err error) {
	file, err := os.Create(f.path(name))
	if err != nil {
		return fmt.Errorf("writing %s: %w", name, err)
	}
	defer func() {
		if cerr := file.Close(); err == nil && cerr != nil {
			err = fmt.Errorf("writing %s: %w", name, cerr)
		}
	}()
	if err := fill(file); err != nil {
		return fmt.Errorf("writing %s: %w", name, err)
	}
	if err := file.Sync(); err != nil {
		return fmt.Errorf("writing %s: %w", name, err)
	}
	return nil
}

// commit puts the working folder in the wanted place.
func (f *folder) commit() error {
	if err := syncDir(f.work); err != nil {
		return err
	}
	if !f.replace {
		if err := os.Rename(f.work, f.dir); err != nil {
			return &FolderError{Dir: f.dir, Detail: "the result cannot be moved into place", Err: err}
		}
		f.done = true
		return syncDir(filepath.Dir(f.dir))
	}
	if err := exchange(f.work, f.dir); err != nil {
		return &FolderError{Dir: f.dir, Detail: "the result cannot take the place of the earlier one", Err: err}
	}
	f.done = true // f.work now holds the earlier result
	if err := syncDir(filepath.Dir(f.dir)); err != nil {
		return err
	}
	return os.RemoveAll(f.work)
}

// swap exchanges two folders by way of a third name. A crash in between leaves
// the earlier result under that name.
func swap(a, b string) error {
	aside := a + ".old"
	if err := os.Rename(b, aside); err != nil {
		return err
	}
	if err := os.Rename(a, b); err != nil {
		return errors.Join(err, os.Rename(aside, b))
	}
	return os.Rename(aside, a)
}

// abandon removes the working folder unless it was committed.
func (f *folder) abandon() error {
	if f.done {
		return nil
	}
	return os.RemoveAll(f.work)
}

func syncDir(dir string) error {
	d, err := os.Open(dir)
	if err != nil {
		return fmt.Errorf("syncing folder: %w", err)
	}
	if err := errors.Join(d.Sync(), d.Close()); err != nil {
		return fmt.Errorf("syncing folder: %w", err)
	}
	return nil
}

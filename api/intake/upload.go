package intake

import (
	"context"
	"crypto/sha256"
	"encoding/hex"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"os"
	"path/filepath"
	"regexp"
	"strings"
	"time"
)

// uploadForm is an upload's ID: its studio, so ownership is known before any
// file is looked at, and a random part.
var uploadForm = regexp.MustCompile(`^([a-z0-9][a-z0-9_-]{0,63})\.[0-9a-f]{32}$`)

// Keys of an upload's own metadata.
const (
	metaName = "name"
	metaSHA  = "sha256"
	metaRaw  = "raw" // Upload-Metadata as it was sent, for HEAD
)

var errNoUpload = errors.New("no such upload")

// upload is one that is not over.
type upload struct {
	studio, id string
	size       int64 // announced
	offset     int64 // here
	meta       map[string]string
	touched    time.Time // last byte, by the clock of the spool
}

func (u upload) complete() bool { return u.offset == u.size }

func studioOfUpload(id string) (string, bool) {
	m := uploadForm.FindStringSubmatch(id)
	if m == nil {
		return "", false
	}
	return m[1], true
}

func (in *Intake) uploadDir(studio string) string {
	return filepath.Join(in.opt.Spool, tusDir, studio)
}
func (in *Intake) bytesPath(studio, id string) string {
	return filepath.Join(in.uploadDir(studio), id)
}
func (in *Intake) infoPath(studio, id string) string { return in.bytesPath(studio, id) + ".info" }
func (in *Intake) lockPath(studio, id string) string { return in.bytesPath(studio, id) + ".lock" }
func (in *Intake) donePath(studio, id string) string {
	return filepath.Join(in.opt.Spool, doneDir, studio, id)
}

// readUpload looks at an upload. A description that was cut off by a crash is
// none: its sender was never told of it.
func (in *Intake) readUpload(studio, id string) (upload, error) {
	data, err := os.ReadFile(in.infoPath(studio, id))
	if errors.Is(err, os.ErrNotExist) {
		return upload{}, errNoUpload
	}
	if err != nil {
		return upload{}, err
	}
	var info struct {
		ID       string
		Size     int64
		MetaData map[string]string
	}
	if json.Unmarshal(data, &info) != nil || info.ID != id {
		return upload{}, errNoUpload
	}
	st, err := os.Lstat(in.bytesPath(studio, id))
	if errors.Is(err, os.ErrNotExist) || err == nil && !st.Mode().IsRegular() {
		return upload{}, errNoUpload
	}
	if err != nil {
		return upload{}, err
	}
	return upload{studio, id, info.Size, st.Size(), info.MetaData, st.ModTime()}, nil
}

// expires is when an upload that nobody goes on with is over.
func (in *Intake) expires(u upload) time.Time { return u.touched.Add(in.limits.UploadTTL) }

// removeUpload deletes an upload's files; the lock goes with its holder.
func (in *Intake) removeUpload(studio, id string) error {
	return errors.Join(remove(in.bytesPath(studio, id)), remove(in.infoPath(studio, id)))
}

// open counts the uploads of a studio that are not over, and the bytes they
// announced.
func (in *Intake) openUploads(studio string) (n int, bytes int64, err error) {
	entries, err := os.ReadDir(in.uploadDir(studio))
	if errors.Is(err, os.ErrNotExist) {
		return 0, 0, nil
	}
	if err != nil {
		return 0, 0, err
	}
	for _, e := range entries {
		id, isInfo := strings.CutSuffix(e.Name(), ".info")
		if !isInfo {
			continue
		}
		n++
		if in.limits.PerStudioBytes > 0 {
			if u, err := in.readUpload(studio, id); err == nil {
				bytes += u.size
			}
		}
	}
	return n, bytes, nil
}

// Unfinished counts the uploads that have begun and not ended, and says for how
// long the one that is silent longest has had no byte; 0 if there is none.
func (in *Intake) Unfinished() (n int, silent time.Duration, err error) {
	studios, err := in.folders(tusDir)
	for _, studio := range studios {
		entries, rerr := os.ReadDir(in.uploadDir(studio))
		err = errors.Join(err, rerr)
		for _, e := range entries {
			id, isInfo := strings.CutSuffix(e.Name(), ".info")
			if !isInfo {
				continue
			}
			u, uerr := in.readUpload(studio, id)
			if errors.Is(uerr, errNoUpload) {
				continue // it ends this moment, or begins
			}
			if err = errors.Join(err, uerr); uerr == nil {
				n, silent = n+1, max(silent, in.now().Sub(u.touched))
			}
		}
	}
	return n, silent, err
}

// done says which mix a finished upload became.
type done struct {
	SHA256   string    `json:"sha256"`
	Size     int64     `json:"size"`
	Metadata string    `json:"metadata"`
	At       time.Time `json:"at"`
}

func (in *Intake) readDone(studio, id string) (done, bool) {
	data, err := os.ReadFile(in.donePath(studio, id))
	var d done
	if err != nil || json.Unmarshal(data, &d) != nil || in.now().Sub(d.At) > in.limits.DoneTTL {
		return done{}, false
	}
	return d, true
}

func (in *Intake) writeDone(studio, id string, d done) error {
	data, err := json.Marshal(d)
	if err != nil {
		return err
	}
	path := in.donePath(studio, id)
	if err := os.MkdirAll(filepath.Dir(path), dirMode); err != nil {
		return err
	}
	p, err := in.newPart()
	if err != nil {
		return err
	}
	defer p.discard()
	if _, err := p.Write(data); err != nil {
		return err
	}
	if err := p.Sync(); err != nil {
		return err
	}
	if err := os.Rename(p.Name(), path); err != nil {
		return err
	}
	return syncPath(filepath.Dir(path))
}

func syncPath(path string) error {
	f, err := os.Open(path)
	if err != nil {
		return err
	}
	return errors.Join(f.Sync(), f.Close())
}

// finish makes a mix of an upload whose bytes are all here. Its caller holds the
// lock. Every step may be the last of a process; the next call goes on from
// there: bytes in the store are not sent again, and only once the note says what
// became of the upload do its files go.
func (in *Intake) finish(ctx context.Context, studio, id string) (done, error) {
	u, err := in.readUpload(studio, id)
	if err != nil {
		return done{}, err
	}
	f, err := os.Open(in.bytesPath(studio, id))
	if err != nil {
		return done{}, err
	}
	defer f.Close()
	h := sha256.New()
	n, err := io.Copy(h, contextReader{ctx, f})
	if err != nil {
		return done{}, fmt.Errorf("hashing upload %s: %w", id, err)
	}
	if n != u.size {
		return done{}, fmt.Errorf("upload %s has %d bytes, not %d", id, n, u.size)
	}
	sha := hex.EncodeToString(h.Sum(nil))
	if want := u.meta[metaSHA]; want != "" && want != sha {
		return done{}, errors.Join(hashDiffers(want, sha), in.removeUpload(studio, id))
	}
	if err := in.step("hashed"); err != nil {
		return done{}, err
	}
	name := cleanName(u.meta[metaName])
	_, here, err := in.known(ctx, studio, sha, name)
	if err != nil {
		return done{}, err
	}
	if here {
		in.observe("known")
	} else {
		if p := in.room(ctx, n); p != nil {
			return done{}, p
		}
		if _, err := in.keep(ctx, studio, sha, name, io.NewSectionReader(f, 0, n), f); err != nil {
			return done{}, err
		}
	}
	if err := in.step("recorded"); err != nil {
		return done{}, err
	}
	d := done{SHA256: sha, Size: n, Metadata: u.meta[metaRaw], At: in.now().UTC()}
	if err := in.writeDone(studio, id, d); err != nil {
		return done{}, err
	}
	if err := in.step("noted"); err != nil {
		return done{}, err
	}
	if err := in.removeUpload(studio, id); err != nil {
		// The mix is safe and told; a sweep removes the rest.
		in.log.WarnContext(ctx, "files of a finished upload stay behind", "upload", id, "error", err)
	}
	return d, nil
}

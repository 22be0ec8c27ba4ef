package s3

import (
	"bytes"
	"context"
	"crypto/rand"
	"errors"
	"fmt"
	"net/http"

	"discsafe/worker/store"
)

// probe tries out what the store relies on, on a key of its own.
func (s *Store) probe(ctx context.Context) error {
	key := probeKey()
	err := s.probeKey(ctx, key)
	return errors.Join(err, s.remove(context.WithoutCancel(ctx), key))
}

func (s *Store) probeKey(ctx context.Context, key string) error {
	content := []byte("what is here may be deleted")
	etag, err := s.putObject(ctx, key, content, condition{}, rand.Text())
	if err != nil {
		return err
	}
	if etag == "" {
		return unfit("answers a write without an ETag")
	}
	_, err = s.putObject(ctx, key, content, condition{}, rand.Text())
	if err := mustRefuse(err, "If-None-Match on PutObject"); err != nil {
		return err
	}
	_, err = s.putObject(ctx, key, content, condition{`"00000000000000000000000000000000"`}, rand.Text())
	if err := mustRefuse(err, "If-Match on PutObject"); err != nil {
		return err
	}
	if _, err := s.putObject(ctx, key, content, condition{etag}, rand.Text()); err != nil {
		return fmt.Errorf("If-Match with the right ETag: %w", err)
	}
	if err := s.probeParts(ctx, key, content); err != nil {
		return err
	}
	got := make([]byte, 4)
	o := &object{ctx: ctx, s: s, info: store.Info{Key: key, Size: int64(len(content))}}
	if _, err := o.ReadAt(got, 5); err != nil || !bytes.Equal(got, content[5:9]) {
		return errors.Join(unfit(fmt.Sprintf("gives %q for bytes 5 to 8, written were %q", got, content[5:9])), err)
	}
	return nil
}

func (s *Store) probeParts(ctx context.Context, key string, content []byte) error {
	u, err := s.begin(ctx, key, rand.Text())
	if err != nil {
		return err
	}
	defer u.cancel(nil)
	err = u.sendPart(1, content)
	if err == nil {
		err = mustRefuse(u.completeOnce(ctx), "If-None-Match on CompleteMultipartUpload")
	}
	if aerr := u.abort(ctx, nil); aerr != nil && err == nil {
		return aerr
	}
	return err
}

func mustRefuse(err error, what string) error {
	switch st := status(err); {
	case err == nil:
		return unfit("ignores " + what)
	case st == http.StatusPreconditionFailed, st == http.StatusConflict:
		return nil
	case st == http.StatusNotImplemented:
		return unfit("does not know " + what)
	}
	return fmt.Errorf("trying %s: %w", what, err)
}

func unfit(what string) error {
	return &store.Error{Err: errors.New("this object store " + what), Hint: "results could be overwritten: use another server, or a newer version of it"}
}

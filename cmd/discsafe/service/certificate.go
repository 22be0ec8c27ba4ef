package service

import (
	"crypto/tls"
	"fmt"
	"log/slog"
	"os"
	"sync"
	"time"
)

// certificate is a pair of files, read again when one of them has changed, so
// that a renewed certificate needs no restart. A pair that cannot be used is
// told once and the former one serves on.
type certificate struct {
	cert, key string
	log       *slog.Logger

	mu     sync.Mutex
	held   *tls.Certificate
	seen   string    // what the files looked like when held was read
	looked time.Time // when the files were looked at last
}

// lookEvery bounds how often files are asked about under many connections.
const lookEvery = time.Second

func (c *certificate) load() (*tls.Certificate, error) {
	c.mu.Lock()
	defer c.mu.Unlock()
	if c.held != nil && time.Since(c.looked) < lookEvery {
		return c.held, nil
	}
	c.looked = time.Now()
	now := look(c.cert) + look(c.key)
	if c.held != nil && now == c.seen {
		return c.held, nil
	}
	pair, err := tls.LoadX509KeyPair(c.cert, c.key)
	if err != nil {
		if c.held == nil {
			return nil, fmt.Errorf("certificate %s with key %s: %w", c.cert, c.key, err)
		}
		if c.log != nil && c.seen != now {
			c.log.Error("a changed certificate cannot be used; the former one serves on", "certificate", c.cert, "error", err)
		}
		c.seen = now
		return c.held, nil
	}
	if c.held != nil && c.log != nil {
		c.log.Info("certificate read again", "certificate", c.cert)
	}
	c.held, c.seen = &pair, now
	return c.held, nil
}

// look describes a file so that a change shows.
func look(path string) string {
	info, err := os.Stat(path)
	if err != nil {
		return err.Error()
	}
	return fmt.Sprint(info.Size(), " ", info.ModTime().UnixNano(), ";")
}

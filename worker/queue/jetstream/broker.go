package jetstream

import (
	"context"
	"errors"
	"fmt"
	"log/slog"
	"net"
	"os"
	"path/filepath"
	"sync"
	"time"

	"github.com/nats-io/nats-server/v2/server"
)

// BrokerOptions of an embedded broker.
type BrokerOptions struct {
	// Dir holds the streams. It is made if missing, readable by the owner only,
	// and locked: two brokers on one folder would ruin it.
	Dir string
	// MaxStoreBytes bounds what the streams may take on disk; 0 means 1 GiB,
	// which is millions of rings.
	MaxStoreBytes int64
	// Log takes the server's notices; nil means none.
	Log *slog.Logger
}

// Broker is a NATS server in this process, without a port, that syncs every
// write before it acknowledges. Its methods may be called from many goroutines.
type Broker struct {
	o    BrokerOptions
	lock *dirLock

	mu     sync.Mutex
	s      *server.Server // nil between Stop and Start
	closed bool
}

// startWithin bounds recovery of the streams at start. Measured: milliseconds
// for ordinary backlogs.
const startWithin = 30 * time.Second

// errStopped is what connecting says while the broker is stopped.
var errStopped = errors.New("embedded broker is stopped")

// StartBroker starts a server on a folder. Close it after the queues on it.
func StartBroker(ctx context.Context, o BrokerOptions) (*Broker, error) {
	if o.Dir == "" {
		return nil, errors.New("start broker: no folder given")
	}
	if o.MaxStoreBytes <= 0 {
		o.MaxStoreBytes = 1 << 30
	}
	if err := os.MkdirAll(o.Dir, 0o700); err != nil {
		return nil, fmt.Errorf("start broker: %w", err)
	}
	lock, err := lockDir(filepath.Join(o.Dir, "broker.lock"))
	if err != nil {
		return nil, fmt.Errorf("start broker in %s: %w", o.Dir, err)
	}
	b := &Broker{o: o, lock: lock}
	if err := b.Start(ctx); err != nil {
		return nil, errors.Join(err, lock.release())
	}
	return b, nil
}

// Start brings a stopped broker back with what its folder holds. Queues
// reconnect by themselves. A running broker is left as it is.
func (b *Broker) Start(ctx context.Context) error {
	b.mu.Lock()
	defer b.mu.Unlock()
	if b.closed {
		return errors.New("start broker: it is closed")
	}
	if b.s != nil {
		return nil
	}
	s, err := server.NewServer(&server.Options{
		ServerName:         "discsafe-embedded",
		DontListen:         true,
		JetStream:          true,
		StoreDir:           b.o.Dir,
		SyncAlways:         true,
		JetStreamMaxStore:  b.o.MaxStoreBytes,
		JetStreamMaxMemory: 16 << 20, // no stream of ours is in memory
		MaxPayload:         64 << 10,
		NoSigs:             true,
		NoLog:              b.o.Log == nil,
	})
	if err != nil {
		return fmt.Errorf("start broker in %s: %w", b.o.Dir, err)
	}
	fatal := make(chan string, 1)
	s.SetLoggerV2(&serverLog{log: b.o.Log, fatal: fatal}, false, false, false)
	// Start does not return an error: what it cannot do it calls fatal.
	s.Start()
	wait := startWithin
	if d, ok := ctx.Deadline(); ok {
		wait = min(wait, time.Until(d))
	}
	fail := func(err error) error {
		s.Shutdown()
		s.WaitForShutdown()
		return fmt.Errorf("start broker in %s: %w", b.o.Dir, err)
	}
	for end := time.Now().Add(wait); ; {
		ready := s.ReadyForConnections(100 * time.Millisecond)
		select {
		case what := <-fatal:
			return fail(errors.New(what))
		default:
		}
		if ready {
			break
		}
		if ctx.Err() != nil || time.Now().After(end) {
			return fail(fmt.Errorf("not ready within %v", wait))
		}
	}
	if c := s.JetStreamConfig(); c == nil || !c.SyncAlways {
		return fail(&UnsyncedError{Servers: []string{s.Name()}})
	}
	b.s = s
	return nil
}

// Stop shuts the server down and leaves the folder locked, for Start. Queues
// see a broker that does not answer.
func (b *Broker) Stop() {
	b.mu.Lock()
	defer b.mu.Unlock()
	b.stop()
}

func (b *Broker) stop() {
	if b.s != nil {
		b.s.Shutdown()
		b.s.WaitForShutdown()
		b.s = nil
	}
}

// Close stops the server for good and unlocks the folder. It may be called
// again.
func (b *Broker) Close() error {
	b.mu.Lock()
	defer b.mu.Unlock()
	if b.closed {
		return nil
	}
	b.closed = true
	b.stop()
	if err := b.lock.release(); err != nil {
		return fmt.Errorf("close broker in %s: %w", b.o.Dir, err)
	}
	return nil
}

// Check returns nil if the server runs with JetStream, syncs always and still
// has its folder, for health checks; Publish looks once a minute. A server whose
// disk failed switches JetStream off; Stop and Start try again.
func (b *Broker) Check() error {
	b.mu.Lock()
	defer b.mu.Unlock()
	switch {
	case b.s == nil || !b.s.Running():
		return errStopped
	case !b.s.JetStreamEnabled():
		return errors.New("embedded broker has switched JetStream off: look for disk errors in its log")
	}
	c := b.s.JetStreamConfig()
	if c == nil || !c.SyncAlways {
		return &UnsyncedError{Servers: []string{b.s.Name()}}
	}
	if _, err := os.Stat(c.StoreDir); err != nil {
		return fmt.Errorf("folder of the embedded broker is gone, what it acknowledges now is lost at its end; bring the disk back and restart: %w", err)
	}
	return nil
}

// InProcessConn connects a client without a socket. It makes Broker what the
// client library reconnects to, whichever server runs behind it at the moment.
func (b *Broker) InProcessConn() (net.Conn, error) {
	b.mu.Lock()
	s := b.s
	b.mu.Unlock()
	if s == nil {
		return nil, errStopped
	}
	return s.InProcessConn()
}

// serverLog hands the server's words to slog. The server's debug and trace
// output is switched off before it comes here.
type serverLog struct {
	log   *slog.Logger
	fatal chan<- string
}

func (l *serverLog) say(level slog.Level, format string, a []any) {
	if l.log != nil {
		l.log.Log(context.Background(), level, fmt.Sprintf(format, a...), "component", "broker")
	}
}

func (l *serverLog) Noticef(format string, a ...any) { l.say(slog.LevelInfo, format, a) }
func (l *serverLog) Warnf(format string, a ...any)   { l.say(slog.LevelWarn, format, a) }
func (l *serverLog) Errorf(format string, a ...any)  { l.say(slog.LevelError, format, a) }
func (l *serverLog) Debugf(format string, a ...any)  { l.say(slog.LevelDebug, format, a) }
func (l *serverLog) Tracef(format string, a ...any)  { l.say(slog.LevelDebug, format, a) }

// Fatalf does not end the process: the server asks for that when JetStream
// cannot start, and whoever starts the broker shall decide.
func (l *serverLog) Fatalf(format string, a ...any) {
	select {
	case l.fatal <- fmt.Sprintf(format, a...):
	default:
	}
	l.say(slog.LevelError, format, a)
}

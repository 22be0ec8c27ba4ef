package jetstream

import (
	"context"
	"errors"
	"fmt"
	"sync"
	"time"

	"github.com/nats-io/nats.go"
	"github.com/nats-io/nats.go/jetstream"

	"discsafe/worker/queue"
)

// Queue is this process's access to the broker.
type Queue struct {
	o  Options
	nc *nats.Conn
	js jetstream.JetStream

	closed chan struct{}
	once   sync.Once
	sync   syncState

	looking chan struct{} // holds one token: one goroutine asks the broker at a time
	known   lines         // lines that may have work
}

var (
	_ queue.Queue       = (*Queue)(nil)
	_ queue.DeadLetters = (*Queue)(nil)
)

// Open connects, refuses a broker that does not sync always, and makes the
// streams if they are missing. It keeps trying to reach the broker until ctx is
// done. Errors: *queue.InvalidError for impossible options, *UnsyncedError,
// *MismatchError for streams of that name that are not ours, else
// queue.ErrUnavailable with the cause.
func Open(ctx context.Context, o Options) (*Queue, error) {
	o = o.withDefaults()
	if err := o.validate(); err != nil {
		return nil, fmt.Errorf("open queue: %w", err)
	}
	q := &Queue{o: o, closed: make(chan struct{}), looking: make(chan struct{}, 1)}
	q.sync.trusted = make(map[string]bool)
	q.known.init(o)
	opts, err := q.connectOptions()
	if err != nil {
		return nil, fmt.Errorf("open queue: %w", err)
	}
	for {
		err := q.open(ctx, opts)
		if err == nil {
			return q, nil
		}
		q.disconnect()
		if !errors.Is(err, queue.ErrUnavailable) {
			return nil, fmt.Errorf("open queue: %w", err)
		}
		select {
		case <-ctx.Done():
			return nil, fmt.Errorf("open queue: %w: %w", ctx.Err(), err)
		case <-o.Clock.After(250 * time.Millisecond):
		}
	}
}

func (q *Queue) open(ctx context.Context, opts nats.Options) error {
	nc, err := opts.Connect()
	if err != nil {
		return unavailable("open", "", err)
	}
	q.nc = nc
	if q.js, err = jetstream.New(nc, jetstream.WithDefaultTimeout(q.o.Timeout)); err != nil {
		return err
	}
	if err := q.ensureStreams(ctx); err != nil {
		return err
	}
	if err := q.checkSync(ctx); err != nil {
		return err
	}
	if _, err := nc.Subscribe(q.o.rungSubject()+">", func(m *nats.Msg) {
		if k, ok := keyOf(m.Subject, q.o.rungSubject()); ok {
			q.known.rung(k)
		}
	}); err != nil {
		return unavailable("open", "", err)
	}
	// The subscription must be known to the broker before the first sweep looks,
	// or a message between the two rings unheard.
	if err := nc.FlushTimeout(q.o.Timeout); err != nil {
		return unavailable("open", "", err)
	}
	return nil
}

// connectOptions are those of the client library.
func (q *Queue) connectOptions() (nats.Options, error) {
	o := nats.GetDefaultOptions()
	o.Name = q.o.ClientName
	o.Timeout = q.o.Timeout
	o.MaxReconnect = -1
	o.ReconnectWait = 250 * time.Millisecond
	o.ReconnectJitter = 250 * time.Millisecond
	o.ReconnectJitterTLS = 500 * time.Millisecond
	o.ReconnectBufSize = -1 // what cannot be sent now fails now
	o.PingInterval = 10 * time.Second
	o.MaxPingsOut = 2
	o.IgnoreAuthErrorAbort = true // a rotated credential shall not end the process
	o.ReconnectedCB = func(*nats.Conn) {
		q.sync.doubt()
		q.known.resweep()
	}
	o.DisconnectedErrCB = func(*nats.Conn, error) { q.sync.doubt() }
	// Errors reach the caller by the call that fails; the library would print them.
	o.AsyncErrorCB = func(*nats.Conn, *nats.Subscription, error) {}
	if q.o.Broker != nil {
		o.InProcessServer = q.o.Broker
		o.ReconnectWait, o.ReconnectJitter = 20*time.Millisecond, 20*time.Millisecond
		return o, nil
	}
	o.Servers = q.o.URLs
	o.User, o.Password, o.Token = q.o.User, q.o.Password, q.o.Token
	if q.o.TLS != nil {
		o.Secure, o.TLSConfig = true, q.o.TLS.Clone()
	}
	if q.o.CredsFile != "" {
		if err := nats.UserCredentials(q.o.CredsFile)(&o); err != nil {
			return o, fmt.Errorf("credentials: %w", err)
		}
	}
	return o, nil
}

// Close implements queue.Queue. A question to the broker under way is let end,
// so that a message it brings is handed back and not left to AckWait.
func (q *Queue) Close() {
	q.once.Do(func() {
		close(q.closed)
		q.looking <- struct{}{}
		q.disconnect()
	})
}

func (q *Queue) disconnect() {
	if q.nc != nil {
		q.nc.Close()
	}
}

func (q *Queue) isClosed() bool {
	select {
	case <-q.closed:
		return true
	default:
		return false
	}
}

// unavailable wraps a cause that another try may cure.
func unavailable(op, job string, err error) error {
	return &queue.Error{Op: op, Job: job, Kind: queue.ErrUnavailable, Err: err}
}

// fault names what went wrong in a call: our Close, the caller's context, a
// full store, or a broker that does not answer.
func (q *Queue) fault(ctx context.Context, op, job string, err error) error {
	var ours *queue.Error
	switch {
	case err == nil:
		return nil
	case q.isClosed():
		return &queue.Error{Op: op, Job: job, Kind: queue.ErrClosed}
	case ctx.Err() != nil:
		return &queue.Error{Op: op, Job: job, Err: ctx.Err()}
	case errors.As(err, &ours):
		return err
	case outOfRoom(err):
		return &queue.Error{Op: op, Job: job, Kind: queue.ErrFull, Err: err}
	}
	return unavailable(op, job, err)
}

// JetStream's error codes for a store without room, by number because the
// client library has no names for them (server/errors.json).
const (
	codeStoreFailed          = 10077 // limits of messages or bytes, or one message for each subject
	codeNoResources          = 10023
	codeInsufficientReserved = 10028
	codeStorageExceeded      = 10047
)

func apiCode(err error) jetstream.ErrorCode {
	var api *jetstream.APIError
	if errors.As(err, &api) {
		return api.ErrorCode
	}
	return 0
}

func outOfRoom(err error) bool {
	switch apiCode(err) {
	case codeStoreFailed, codeNoResources, codeInsufficientReserved, codeStorageExceeded:
		return true
	}
	return false
}

// within is a context for one answer of the broker.
func (q *Queue) within(ctx context.Context) (context.Context, context.CancelFunc) {
	return context.WithTimeout(ctx, q.o.Timeout)
}

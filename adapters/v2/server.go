package v2

import (
	"bufio"
	"context"
	"crypto/tls"
	"errors"
	"io"
	"net"
	"net/netip"
	"slices"
	"sync"
	"sync/atomic"
	"time"

	"go.uber.org/zap"
)

// contentType of what is handed to the receiver.
const contentType = "application/fhir+json"

// server is one listener at work.
type server struct {
	*Config
	started time.Time
	answers atomic.Uint64
	mu      sync.Mutex
	conns   map[net.Conn]bool
}

// Serve takes orders on a listener until ctx ends or the listener fails. When ctx ends, no further message is
// read; those in hand are kept and answered, for StopTime at most.
func (cfg Config) Serve(ctx context.Context, ln net.Listener) error {
	ready, err := cfg.ready()
	if err != nil {
		return errors.Join(err, ln.Close())
	}
	s := &server{Config: ready, started: ready.Now(), conns: map[net.Conn]bool{}}
	if s.TLS != nil {
		ln = tls.NewListener(ln, s.TLS)
	}
	work, stop := context.WithCancel(context.WithoutCancel(ctx)) // messages in hand outlive ctx
	defer stop()
	var wg sync.WaitGroup
	unhook := context.AfterFunc(ctx, func() {
		_ = ln.Close()
		s.each(func(c net.Conn) { _ = c.SetReadDeadline(time.Unix(1, 0)) }) // wakes those that wait for a message
		time.AfterFunc(s.StopTime, func() {
			stop()
			s.each(func(c net.Conn) { _ = c.Close() })
		})
	})
	defer unhook()
	err = s.accept(ctx, work, ln, &wg)
	wg.Wait()
	if ctx.Err() != nil {
		return nil
	}
	return err
}

// acceptPause is waited after a failed accept, such as too many open files.
const acceptPause = 100 * time.Millisecond

func (s *server) accept(ctx, work context.Context, ln net.Listener, wg *sync.WaitGroup) error {
	for {
		c, err := ln.Accept()
		if ctx.Err() != nil {
			if err == nil {
				_ = c.Close()
			}
			return nil
		}
		if err != nil {
			if ne := net.Error(nil); errors.As(err, &ne) && !errors.Is(err, net.ErrClosed) {
				s.Log.Warn("v2: connection not accepted", zap.Error(err))
				time.Sleep(acceptPause)
				continue
			}
			return err
		}
		if !s.allowed(c) || !s.enter(c) {
			s.count("refused", time.Time{})
			_ = c.Close()
			continue
		}
		wg.Go(func() {
			defer s.leave(c)
			s.converse(ctx, work, c)
		})
	}
}

func (s *server) allowed(c net.Conn) bool {
	if len(s.Peers) == 0 {
		return true
	}
	at, err := netip.ParseAddrPort(c.RemoteAddr().String())
	ok := err == nil && slices.ContainsFunc(s.Peers, func(p netip.Prefix) bool { return p.Contains(at.Addr().Unmap()) })
	if !ok {
		s.Log.Warn("v2: connection from an address that may not connect", zap.String("sender", s.Sender))
	}
	return ok
}

func (s *server) enter(c net.Conn) bool {
	s.mu.Lock()
	defer s.mu.Unlock()
	if len(s.conns) >= s.MaxConns {
		s.Log.Warn("v2: too many connections", zap.String("sender", s.Sender), zap.Int("limit", s.MaxConns))
		return false
	}
	s.conns[c] = true
	return true
}

// leave frees the place before it closes the connection: a sender that has seen the end may come again at once.
func (s *server) leave(c net.Conn) {
	s.mu.Lock()
	delete(s.conns, c)
	s.mu.Unlock()
	_ = c.Close()
}

func (s *server) each(f func(net.Conn)) {
	s.mu.Lock()
	defer s.mu.Unlock()
	for c := range s.conns {
		f(c)
	}
}

// converse takes one message after the other from a connection, so that their order is kept.
func (s *server) converse(ctx, work context.Context, c net.Conn) {
	if tc, ok := c.(*tls.Conn); ok { // a client that does not finish the handshake must not hold a place for IdleTime
		_ = c.SetDeadline(time.Now().Add(s.FrameTime))
		if err := tc.HandshakeContext(ctx); err != nil {
			s.Log.Warn("v2: TLS handshake failed", zap.String("sender", s.Sender))
			return
		}
	}
	r := bufio.NewReaderSize(c, 16<<10)
	for ctx.Err() == nil {
		_ = c.SetReadDeadline(time.Now().Add(s.IdleTime))
		if ctx.Err() != nil { // ended between the check and the deadline
			return
		}
		if err := readStart(r); err != nil {
			s.ended(err)
			return
		}
		_ = c.SetReadDeadline(time.Now().Add(s.FrameTime))
		raw, err := readBody(r, s.MaxFrame)
		if err != nil && !errors.Is(err, errTooLarge) {
			s.ended(err)
			return
		}
		start := time.Now()
		ans := s.take(work, raw, err != nil)
		s.count(ans.code, start)
		_ = c.SetWriteDeadline(time.Now().Add(s.FrameTime))
		if ans.body != nil {
			if _, werr := c.Write(frame(ans.body)); werr != nil {
				s.ended(werr)
				return
			}
		}
		if err != nil { // after a frame that is too large, the next cannot be found
			s.drain(c)
			return
		}
		if ans.hangUp {
			return
		}
	}
}

// drain passes over what a sender still sends, for a moment, so that the answer is not lost with the connection.
func (s *server) drain(c net.Conn) {
	_ = c.SetReadDeadline(time.Now().Add(time.Second))
	_, _ = io.Copy(io.Discard, io.LimitReader(c, int64(4*s.MaxFrame)))
}

// ended logs how a connection ended, when not as it should.
func (s *server) ended(err error) {
	ne := net.Error(nil)
	switch {
	case errors.Is(err, io.EOF), errors.Is(err, net.ErrClosed), errors.As(err, &ne) && ne.Timeout():
		s.Log.Debug("v2: connection ended", zap.String("sender", s.Sender))
	case errors.Is(err, errFraming), errors.Is(err, io.ErrUnexpectedEOF):
		s.Log.Warn("v2: connection closed: what came is not MLLP", zap.String("sender", s.Sender), zap.Error(err))
	default:
		s.Log.Warn("v2: connection lost", zap.String("sender", s.Sender))
	}
}

func (s *server) count(code string, start time.Time) {
	if s.Observe == nil {
		return
	}
	took := time.Duration(0)
	if !start.IsZero() {
		took = time.Since(start)
	}
	s.Observe(code, took)
}

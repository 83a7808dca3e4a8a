package main

import (
	"context"
	"errors"
	"fmt"
	"net"
	"net/http"
	"os"
	"path/filepath"
	"sync"
	"time"

	"go.uber.org/zap"
	"go.uber.org/zap/zapcore"
	"golang.org/x/net/netutil"

	"gaussline/adapters/telemetry"
)

// Times of the server.
const (
	headerTime = 5 * time.Second  // to send the request headers: slow clients are cut off
	bodyTime   = 60 * time.Second // to send a whole request
	answerTime = 60 * time.Second
	idleTime   = 2 * time.Minute
	stopTime   = 20 * time.Second // to finish requests and the batch in hand when stopping
	maxConns   = 1024             // open at once; more wait to be accepted
)

func serve(ctx context.Context, p *program, args []string) error {
	fs := p.flags("serve")
	path := fs.String("config", "", "configuration file")
	if err := parse(fs, args); err != nil {
		return err
	}
	cfg, err := loadConfig(*path, p.env)
	if err != nil {
		return err
	}
	log, err := telemetry.NewLogger(zapcore.AddSync(os.Stderr), cfg.LogLevel)
	if err != nil {
		return err
	}
	for _, w := range cfg.warnings() {
		log.Warn("configuration: " + w)
	}
	a, err := openApp(ctx, cfg, log, time.Now, true)
	if err != nil {
		return err
	}
	return a.serve(ctx, func(addr string) {
		fmt.Fprintf(p.out, "serving on %s\n", addr)
		p.printWelcome(a, addr)
	})
}

// welcomeFile is where the one-time link of the first run stands, in the data folder.
const welcomeFile = "first-administrator-link"

// printWelcome says where the one-time link of the first run is. The link itself is in a file that only the service's
// own user reads: what a service prints ends in a log.
func (p *program) printWelcome(a *app, addr string) {
	file, err := a.keepWelcome(addr)
	switch {
	case err != nil:
		fmt.Fprintf(p.out, "No administrator can be made: the one-time link could not be kept: %v\n", err)
	case file != "":
		fmt.Fprintf(p.out, "No administrator yet. The link that makes one, once, is in %s\n", file)
	}
}

// keepWelcome writes the link while there is no administrator, and takes away that of an earlier start.
func (a *app) keepWelcome(addr string) (file string, err error) {
	file = filepath.Join(a.cfg.DataDir, welcomeFile)
	if err := os.Remove(file); err != nil && !errors.Is(err, os.ErrNotExist) {
		return "", err
	}
	if a.welcome == "" {
		return "", nil
	}
	scheme := "http"
	if a.cfg.HTTP.TLSCert != "" {
		scheme = "https"
	}
	f, err := os.OpenFile(file, os.O_CREATE|os.O_EXCL|os.O_WRONLY, 0o600)
	if err != nil {
		return "", err
	}
	_, err = fmt.Fprintf(f, "%s://%s%s\n", scheme, addr, a.welcome)
	return file, errors.Join(err, f.Close())
}

// serve runs the service until ctx ends, then stops in order: no new requests, the batch in hand, the broker, the
// store. started is told the address.
func (a *app) serve(ctx context.Context, started func(addr string)) error {
	a.gauges()
	h, err := a.handler(ctx)
	if err != nil {
		return err
	}
	secure, err := a.cfg.tlsConfig()
	if err != nil {
		return err
	}
	srv := &http.Server{Handler: h, TLSConfig: secure, ReadHeaderTimeout: headerTime, ReadTimeout: bodyTime, WriteTimeout: answerTime,
		IdleTimeout: idleTime, MaxHeaderBytes: 16 << 10, ErrorLog: zap.NewStdLog(a.log)}
	ln, err := net.Listen("tcp", a.cfg.HTTP.Listen)
	if err != nil {
		return hinted{err, "http.listen says where to listen"}
	}
	ln = netutil.LimitListener(ln, maxConns)
	listeners, err := a.v2Listeners()
	if err != nil {
		return errors.Join(err, ln.Close())
	}
	work, stopWork := context.WithCancel(context.WithoutCancel(ctx))
	defer stopWork()
	var wg sync.WaitGroup
	failed := make(chan error, 4)
	background := func(name string, f func(context.Context) error) {
		wg.Go(func() {
			if err := f(work); err != nil {
				failed <- fmt.Errorf("%s: %w", name, err)
			}
		})
	}
	background("worker", a.service.Run)
	background("relay", a.service.Relay)
	background("upkeep", a.keepUp)
	background("registry", a.closeMonths)
	for _, listen := range listeners {
		background("HL7 v2", listen)
	}
	go func() {
		if err := a.listen(srv, ln); !errors.Is(err, http.ErrServerClosed) {
			failed <- fmt.Errorf("http: %w", err)
		}
	}()
	started(ln.Addr().String())
	select {
	case <-ctx.Done():
		a.log.Info("stopping")
	case err = <-failed:
	case <-a.broker.Dead():
		err = a.broker.Why()
	}
	stopping, cancel := context.WithTimeout(context.WithoutCancel(ctx), stopTime)
	defer cancel()
	err = errors.Join(err, srv.Shutdown(stopping))
	stopWork()
	wg.Wait()
	return errors.Join(err, a.close(stopping))
}

func (a *app) listen(srv *http.Server, ln net.Listener) error {
	if a.cfg.HTTP.TLSCert != "" {
		return srv.ServeTLS(ln, a.cfg.HTTP.TLSCert, a.cfg.HTTP.TLSKey)
	}
	return srv.Serve(ln)
}

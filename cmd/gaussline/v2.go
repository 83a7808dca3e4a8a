package main

import (
	"context"
	"crypto/tls"
	"fmt"
	"net"
	"net/netip"
	"time"

	"gaussline/adapters/v2"
)

// v2Config is one listener for orders in HL7 v2 over MLLP.
type v2Config struct {
	Sender         string            `yaml:"sender"`          // in whose name the messages are kept; one of senders
	Listen         string            `yaml:"listen"`          // host:port
	PatientSystems map[string]string `yaml:"patient_systems"` // URI of each assigning authority; "" of identifiers that name none
	CodeSystems    map[string]string `yaml:"code_systems"`    // URI of each coding system that is the sender's own
	Applications   []string          `yaml:"applications"`    // MSH-3 that are taken; empty: any
	Processing     string            `yaml:"processing"`      // P, T or D; default P
	Charset        string            `yaml:"charset"`
	TimeZone       string            `yaml:"time_zone"` // of times without a zone, such as Europe/Lisbon
	Peers          []string          `yaml:"peers"`     // networks that may connect, such as 10.1.2.0/24; MLLP knows no log-in
	TLSCert        string            `yaml:"tls_cert"`
	TLSKey         string            `yaml:"tls_key"`
}

// checkV2 reports the faults of the listeners, each with its key.
func (c *config) checkV2(fault func(string, string, ...any)) {
	known := map[string]bool{}
	for _, s := range c.Senders {
		known[s.Name] = true
	}
	for i, v := range c.V2 {
		key := fmt.Sprintf("v2[%d]", i)
		if !known[v.Sender] {
			fault(key+".sender", "%q is not one of senders", v.Sender)
		}
		checkListen(fault, key+".listen", v.Listen)
		if _, err := time.LoadLocation(v.TimeZone); err != nil {
			fault(key+".time_zone", "%v", err)
		}
		for _, p := range v.Peers {
			if _, err := netip.ParsePrefix(p); err != nil {
				fault(key+".peers", "%v", err)
			}
		}
		if (v.TLSCert == "") != (v.TLSKey == "") {
			fault(key+".tls_cert", "goes with tls_key")
		}
	}
}

// v2Listeners opens the listeners; each returned function serves one until its context ends.
func (a *app) v2Listeners() (serve []func(context.Context) error, err error) {
	for _, v := range a.cfg.V2 {
		cfg, err := a.v2Listener(v)
		if err != nil {
			return nil, err
		}
		ln, err := net.Listen("tcp", v.Listen)
		if err != nil {
			return nil, hinted{err, "v2.listen says where to listen for HL7 v2"}
		}
		serve = append(serve, func(ctx context.Context) error { return cfg.Serve(ctx, ln) })
	}
	return serve, nil
}

func (a *app) v2Listener(v v2Config) (v2.Config, error) {
	cfg := v2.Config{Sender: v.Sender, PatientSystems: v.PatientSystems, CodeSystems: v.CodeSystems, Applications: v.Applications,
		Processing: v.Processing, Charset: v.Charset, Receiver: a.receiver(), Log: a.log, Now: a.now,
		Observe: func(code string, took time.Duration) { a.metrics.Request("HL7 v2 "+code, 200, took) }}
	var err error
	if cfg.Location, err = time.LoadLocation(v.TimeZone); err != nil {
		return cfg, err
	}
	for _, p := range v.Peers {
		prefix, err := netip.ParsePrefix(p)
		if err != nil {
			return cfg, err
		}
		cfg.Peers = append(cfg.Peers, prefix)
	}
	if v.TLSCert != "" {
		cert, err := tls.LoadX509KeyPair(v.TLSCert, v.TLSKey)
		if err != nil {
			return cfg, err
		}
		cfg.TLS = &tls.Config{Certificates: []tls.Certificate{cert}, MinVersion: tls.VersionTLS12}
	}
	return cfg, nil
}

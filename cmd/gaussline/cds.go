package main

import (
	"context"
	"fmt"
	"net/http"
	"strings"
	"time"

	"gaussline/adapters/access"
	"gaussline/adapters/cds"
	"gaussline/adapters/pages"
	"gaussline/adapters/pipeline"
	"gaussline/mapping/implant"
	"gaussline/mapping/mri"
)

// cdsConfig is one ordering system that may ask by CDS Hooks. Its FHIR base is that of its sender.
type cdsConfig struct {
	Issuer   string `yaml:"issuer"`    // iss of its tokens
	Sender   string `yaml:"sender"`    // under which name it sends its messages; one of senders
	JWKSFile string `yaml:"jwks_file"` // its public keys as a JWK set, or
	JWKSURL  string `yaml:"jwks_url"`  // the https address where it publishes them
	JKU      string `yaml:"jku"`       // the only jku its tokens may name; empty: none
}

// checkCDS reports the faults of the ordering systems, each with its key.
func (c *config) checkCDS(fault func(string, string, ...any)) {
	known, issuers := map[string]bool{}, map[string]bool{}
	for _, s := range c.Senders {
		known[s.Name] = true
	}
	if len(c.CDS) > 0 && c.HTTP.BaseURL == "" {
		fault("http.base_url", "is needed with cds: the tokens of ordering systems name this service by it")
	}
	for i, v := range c.CDS {
		key := fmt.Sprintf("cds[%d]", i)
		switch {
		case v.Issuer == "":
			fault(key+".issuer", "is needed: the iss of the system's tokens")
		case issuers[v.Issuer]:
			fault(key+".issuer", "%q is there twice", v.Issuer)
		}
		issuers[v.Issuer] = true
		if !known[v.Sender] {
			fault(key+".sender", "%q is not one of senders", v.Sender)
		}
		if (v.JWKSFile == "") == (v.JWKSURL == "") {
			fault(key+".jwks_file", "give the system's public keys by jwks_file or by jwks_url, and not by both")
		}
		if v.JWKSURL != "" && !strings.HasPrefix(v.JWKSURL, "https://") {
			fault(key+".jwks_url", "must begin with https://: who can change the keys can ask about every patient")
		}
		if v.JWKSURL != "" {
			checkURL(fault, key+".jwks_url", v.JWKSURL)
		}
		if v.JKU != "" && !strings.HasPrefix(v.JKU, "https://") {
			fault(key+".jku", "must begin with https://")
		}
	}
}

// publicURL is the address of the service as others call it: that of the FHIR base, without its last part. It has
// no slash at its end.
func (c *config) publicURL() string {
	return strings.TrimSuffix(strings.TrimSuffix(c.HTTP.BaseURL, "/"), "/fhir")
}

// cdsHandler serves the order-time services; nil when no ordering system is configured.
func (a *app) cdsHandler(o office) (http.Handler, error) {
	if len(a.cfg.CDS) == 0 {
		return nil, nil
	}
	bases := map[string]string{}
	for _, s := range a.cfg.Senders {
		bases[s.Name] = s.BaseURL
	}
	var clients []cds.Client
	for i, v := range a.cfg.CDS {
		c := cds.Client{Issuer: v.Issuer, Sender: v.Sender, Base: bases[v.Sender], JKU: v.JKU,
			Keys: &access.URLKeys{URL: v.JWKSURL, Client: &http.Client{Timeout: keysTime}, Now: a.now}}
		if v.JWKSFile != "" {
			keys, err := access.ReadKeys(v.JWKSFile)
			if err != nil {
				return nil, fmt.Errorf("cds[%d].jwks_file: %w", i, err)
			}
			c.Keys = keys
		}
		clients = append(clients, c)
	}
	verifier, err := cds.NewVerifier(a.now, clients...)
	if err != nil {
		return nil, err
	}
	s := &cds.Service{Records: recordsForOrders{a.service}, Feedback: cds.InJournal{Journal: pages.Journal{Store: a.store}}, Clients: verifier,
		BaseURL: a.cfg.publicURL(), Now: a.now, Log: a.log, Observe: a.metrics.Request,
		RecordURL: func(patient string) string { return a.cfg.publicURL() + "/records/" + o.seal.ID("record", patient) },
		Audit: func(r *http.Request, client, patient string) error {
			return o.audit.Note(r.Context(), access.Event{Who: client, Role: "ordering-system", Action: access.Seen, What: "order-time-answer",
				Object: o.seal.ID("record", patient), From: a.from(r)})
		}}
	return s.Handler(), nil
}

// keysTime bounds fetching a client's published keys.
const keysTime = 5 * time.Second

// recordsForOrders answers order-time questions from the kept records.
type recordsForOrders struct{ service *pipeline.Service }

// Record finds the record of a patient key, as it is kept now.
func (r recordsForOrders) Record(ctx context.Context, patient string) (implant.Record, error) {
	return r.service.RecordAsOf(ctx, patient, time.Time{}, time.Time{})
}

// Verdict decides for the scanners of the site that the order goes to.
func (r recordsForOrders) Verdict(rec implant.Record, ref implant.Referral) mri.Verdict {
	return r.service.Verdict(rec, ref, r.service.SiteOf(ref).Name, false)
}

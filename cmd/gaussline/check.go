package main

import (
	"crypto/tls"
	"errors"
	"fmt"
	"net"
	"net/url"
	"os"
	"slices"
	"strconv"
	"strings"

	"go.uber.org/zap/zapcore"

	"gaussline/adapters/access"
	"gaussline/adapters/files"
	"gaussline/adapters/stream"
	"gaussline/adapters/telemetry"
)

// Limits of the limits: above them a key does harm, or nothing.
const (
	maxEntries  = 100_000 // of one Bundle: all are in memory at once
	maxDepth    = 200     // levels of nesting: the decoders go down by recursion; FHIR resources need some 20
	maxBatch    = 2000    // messages a transaction: the broker hands out five times as many at once
	maxDecoders = 256     // goroutines
	maxReview   = 3650    // days
)

// check reports every fault it finds, each with its key.
func (c *config) check() error {
	var faults []error
	fault := func(key, format string, args ...any) {
		faults = append(faults, fmt.Errorf("%s: %s", key, fmt.Sprintf(format, args...)))
	}
	if c.DataDir == "" {
		fault("data_dir", "is needed: the folder of the embedded broker and store")
	}
	if (c.HTTP.TLSCert == "") != (c.HTTP.TLSKey == "") {
		fault("http.tls_cert", "goes with http.tls_key")
	}
	checkListen(fault, "http.listen", c.HTTP.Listen)
	checkPair(fault, "http.tls_cert", c.HTTP.TLSCert, c.HTTP.TLSKey)
	if _, err := zapcore.ParseLevel(c.LogLevel); err != nil {
		fault("log_level", "%q: want debug, info, warn or error", c.LogLevel)
	}
	if c.Limits.MessageBytes < 1024 || c.Limits.MessageBytes > 32<<20 {
		fault("limits.message_bytes", "must be 1 KiB to 32 MiB")
	}
	for _, x := range []struct {
		key        string
		value, top int
	}{{"limits.entries", c.Limits.Entries, maxEntries}, {"limits.depth", c.Limits.Depth, maxDepth}, {"limits.batch", c.Limits.Batch, maxBatch},
		{"limits.decoders", c.Limits.Decoders, maxDecoders}, {"mr.review_days", c.MR.ReviewDays, maxReview}} {
		if x.value < 1 || x.value > x.top {
			fault(x.key, "must be 1 to %d", x.top)
		}
	}
	c.checkStream(fault)
	c.checkSites(fault)
	c.checkSecrets(fault)
	c.checkNames(fault)
	c.checkV2(fault)
	c.checkRegistry(fault)
	c.checkCDS(fault)
	c.checkAccess(fault)
	c.checkTracing(fault)
	checkURL(fault, "http.base_url", c.HTTP.BaseURL)
	for _, f := range c.namedFiles() {
		if _, err := os.Stat(f[1]); f[1] != "" && err != nil {
			fault(f[0], "%v", err)
		}
	}
	return errors.Join(faults...)
}

func (c *config) checkNames(fault func(string, string, ...any)) {
	seen := map[string]bool{}
	name := func(key, n string) {
		if !nameRule.MatchString(n) {
			fault(key, "%q: want 1 to 40 of a-z, 0-9 and -", n)
		}
		if seen[key[:strings.IndexByte(key, '[')]+n] {
			fault(key, "%q is there twice", n)
		}
		seen[key[:strings.IndexByte(key, '[')]+n] = true
	}
	for i, s := range c.Senders {
		key := fmt.Sprintf("senders[%d]", i)
		name(key+".name", s.Name)
		checkHash(fault, key, s.TokenSHA256)
		if s.BaseURL == "" {
			fault(key+".base_url", "is needed: without it a relative and an absolute reference to one patient are two patients")
		}
		checkURL(fault, key+".base_url", s.BaseURL)
	}
	for i, r := range c.Readers {
		key := fmt.Sprintf("readers[%d]", i)
		name(key+".name", r.Name)
		checkHash(fault, key, r.TokenSHA256)
		switch access.Role(r.Role) {
		case access.Registry, access.Operator:
			if len(r.Sites) > 0 {
				fault(key+".sites", "is only for the role radiology")
			}
		case access.Radiology:
			if len(r.Sites) == 0 {
				fault(key+".sites", "is needed for the role radiology: the sites whose orders it sees")
			}
		default:
			fault(key+".role", "%q: want registry, operator or radiology", r.Role)
		}
		for _, site := range r.Sites {
			if !slices.ContainsFunc(c.Sites, func(s siteConfig) bool { return s.Name == site }) {
				fault(key+".sites", "%q is not one of sites", site)
			}
		}
	}
}

// checkSites: an order that no site would see must be found out here, not by a banner that nobody reads.
func (c *config) checkSites(fault func(string, string, ...any)) {
	known, seen := false, map[string]bool{}
	for i, s := range c.Sites {
		key := fmt.Sprintf("sites[%d]", i)
		if !nameRule.MatchString(s.Name) {
			fault(key+".name", "%q: want 1 to 40 of a-z, 0-9 and -", s.Name)
		}
		if seen[s.Name] {
			fault(key+".name", "%q is there twice", s.Name)
		}
		seen[s.Name] = true
		for _, m := range s.Match {
			if strings.TrimSpace(m) == "" {
				fault(key+".match", "holds an empty text, which no referral is meant by")
			}
		}
		checkURL(fault, key+".fhir_endpoint", s.FHIREndpoint)
		if d := s.remindAfter(); d != 0 && d < minRemind {
			fault(key+".remind_after", "must be at least %s, or off for never", minRemind)
		}
		known = known || s.Name == c.Fallback
	}
	switch {
	case len(c.Sites) == 0:
		fault("sites", "is needed: without a radiology site nobody gets the banners")
	case c.Fallback == "":
		fault("fallback_site", "is needed: the site that gets the banners of referrals that name none of sites")
	case !known:
		fault("fallback_site", "%q is not one of sites", c.Fallback)
	}
}

// checkSecrets: who comes with a token or from an address must be one machine.
func (c *config) checkSecrets(fault func(string, string, ...any)) {
	tokens, bases := map[string]string{}, map[string]string{}
	once := func(seen map[string]string, key, value, why string) {
		if value == "" {
			return
		}
		if first, ok := seen[value]; ok {
			fault(key, "is that of %s: %s", first, why)
			return
		}
		seen[value] = key
	}
	const oneCaller = "a token tells who calls"
	for i, s := range c.Senders {
		key := fmt.Sprintf("senders[%d]", i)
		once(tokens, key+".token_sha256", strings.ToLower(s.TokenSHA256), oneCaller)
		once(bases, key+".base_url", strings.TrimRight(s.BaseURL, "/"), "one patient of one FHIR server would be two patients here; give both systems one sender")
	}
	for i, r := range c.Readers {
		once(tokens, fmt.Sprintf("readers[%d].token_sha256", i), strings.ToLower(r.TokenSHA256), oneCaller)
	}
}

// checkStream has the broker's own check behind it, whose complaints name its fields.
func (c *config) checkStream(fault func(string, string, ...any)) {
	s, faults := c.Stream, 0
	found := func(key, format string, args ...any) {
		faults++
		fault("stream."+key, format, args...)
	}
	urls := func(key, list string, want ...string) {
		for _, one := range strings.Split(list, ",") {
			u, err := url.Parse(strings.TrimSpace(one))
			if list != "" && (err != nil || u.Host == "" || !slices.Contains(want, u.Scheme)) {
				found(key, "want addresses with %s://, separated by commas", strings.Join(want, ":// or "))
				return
			}
		}
	}
	urls("url", s.URL, "nats", "tls", "ws", "wss")
	urls("monitor", s.Monitor, "http", "https")
	if s.Replicas != 1 && s.Replicas != 3 && s.Replicas != 5 {
		found("replicas", "must be 1, 3 or 5, not %d", s.Replicas)
	}
	if s.MaxBytes < 0 {
		found("max_bytes", "must not be negative")
	}
	if s.Listen != "" {
		checkListen(found, "listen", s.Listen)
		checkPair(found, "listen_cert", s.ListenCert, s.ListenKey)
	}
	if s.Listen == "" && (s.Users != "" || s.ListenCert != "") {
		found("listen", "is needed with users_file and listen_cert: where senders and receivers connect")
	}
	if s.Users != "" {
		if err := stream.CheckUsers(s.Users); err != nil && !errors.Is(err, os.ErrNotExist) {
			found("users_file", "%v", err)
		}
	}
	if faults == 0 && c.DataDir != "" {
		if err := c.streamConfig().Check(); err != nil {
			fault("stream", "%v", err)
		}
	}
}

// checkListen wants host:port; port 0 is a free one.
func checkListen(fault func(string, string, ...any), key, address string) {
	_, port, err := net.SplitHostPort(address)
	if n, bad := strconv.Atoi(port); err != nil || bad != nil || n < 0 || n > 65535 {
		fault(key, "%q: want host:port, such as 127.0.0.1:8480", address)
	}
}

// checkPair wants a certificate and key that belong together. A missing file is told elsewhere.
func checkPair(fault func(string, string, ...any), key, cert, private string) {
	if cert == "" || private == "" {
		return
	}
	if _, err := tls.LoadX509KeyPair(cert, private); err != nil && !errors.Is(err, os.ErrNotExist) {
		fault(key, "%v", err)
	}
}

// maxCloseDay is the last day that every month has.
const maxCloseDay = 28

// checkRegistry reads the keys too: a key that is too short must not be found out at the end of a month.
func (c *config) checkRegistry(fault func(string, string, ...any)) {
	r := c.Registry
	if !nameRule.MatchString(r.Name) {
		fault("registry.name", "%q: want 1 to 40 of a-z, 0-9 and -", r.Name)
	} else if r.KeyFile != "" {
		bad := false
		if _, err := files.ReadKey(r.Name, r.KeyFile); err != nil {
			fault("registry.key_file", "%v", err)
			bad = true
		}
		for i, f := range r.FormerKeys {
			if _, err := files.ReadKey(r.Name, f); err != nil {
				fault(fmt.Sprintf("registry.former_key_files[%d]", i), "%v", err)
				bad = true
			}
		}
		if _, err := files.ReadKeys(r.Name, r.KeyFile, r.FormerKeys); err != nil && !bad {
			fault("registry.former_key_files", "%v", err)
		}
	}
	if r.KeyFile == "" && len(r.FormerKeys) > 0 {
		fault("registry.former_key_files", "goes with registry.key_file")
	}
	if r.SignKey != "" {
		if _, err := files.ReadSigningKey(r.SignKey); err != nil {
			fault("registry.sign_key_file", "%v", err)
		}
	}
	switch {
	case r.CloseDay < 0 || r.CloseDay > maxCloseDay:
		fault("registry.close_day", "must be 1 to %d, or 0: a person closes", maxCloseDay)
	case r.CloseDay > 0 && (r.SignKey == "" || r.KeyFile == ""):
		fault("registry.close_day", "goes with registry.key_file and registry.sign_key_file")
	}
	if r.SmallCells < 0 {
		fault("registry.small_cells", "must be 0 (the usual threshold), 1 (tell all) or more")
	}
}

func (c *config) checkTracing(fault func(string, string, ...any)) {
	if c.Tracing.Collector == "" {
		if c.Tracing.Share != 0 {
			fault("tracing.share", "goes with tracing.collector")
		}
		return
	}
	if _, err := telemetry.ParseCollector(c.Tracing.Collector); err != nil {
		fault("tracing.collector", "%v", err)
	}
	if !(c.Tracing.Share > 0 && c.Tracing.Share <= 1) { // also what is no number
		fault("tracing.share", "must be above 0 and at most 1")
	}
}

func checkHash(fault func(string, string, ...any), key, h string) {
	if h == "" {
		return
	}
	if _, err := access.ParseHash(h); err != nil {
		fault(key+".token_sha256", "%v; gaussline token makes one", err)
	}
}

func checkURL(fault func(string, string, ...any), key, s string) {
	if s == "" {
		return
	}
	if u, err := url.Parse(s); err != nil || u.Host == "" || u.Scheme != "http" && u.Scheme != "https" {
		fault(key, "want an http or https URL")
	}
}

// namedFiles lists the files that must be there, with their keys.
func (c *config) namedFiles() [][2]string {
	files := [][2]string{{"http.tls_cert", c.HTTP.TLSCert}, {"http.tls_key", c.HTTP.TLSKey}, {"http.client_ca", c.HTTP.ClientCA}, {"stream.credentials", c.Stream.Credentials},
		{"stream.nkey_seed", c.Stream.NKeySeed}, {"stream.token_file", c.Stream.Token}, {"stream.password_file", c.Stream.Password},
		{"stream.ca", c.Stream.CA}, {"stream.cert", c.Stream.Cert}, {"stream.key", c.Stream.Key}, {"stream.users_file", c.Stream.Users},
		{"stream.listen_cert", c.Stream.ListenCert}, {"stream.listen_key", c.Stream.ListenKey}, {"store.url_file", c.Store.URLFile},
		{"mr.scanners", c.MR.Scanners}}
	for i, l := range c.MR.Labelling {
		files = append(files, [2]string{fmt.Sprintf("mr.labelling[%d]", i), l})
	}
	for i, s := range c.Sites {
		files = append(files, [2]string{fmt.Sprintf("sites[%d].token_file", i), s.TokenFile})
	}
	for _, m := range c.machines() {
		files = append(files, [2]string{m.key + ".jwks_file", m.JWKSFile})
	}
	if c.Login != nil {
		files = append(files, [2]string{"login.secret_file", c.Login.SecretFile})
	}
	for i, v := range c.CDS {
		files = append(files, [2]string{fmt.Sprintf("cds[%d].jwks_file", i), v.JWKSFile})
	}
	return files
}

// warnings are what can be served and is hardly meant, each with its key.
func (c *config) warnings() (out []string) {
	warn := func(key, text string) { out = append(out, key+": "+text) }
	if host, _, err := net.SplitHostPort(c.HTTP.Listen); err == nil && c.HTTP.TLSCert == "" && !loopback(host) {
		warn("http.listen", c.HTTP.Listen+" without tls_cert: tokens and patient data cross the network in the clear, unless a proxy with TLS stands before it")
	}
	if len(c.Senders) == 0 {
		warn("senders", "nobody may send")
	}
	for i, s := range c.Senders {
		if !c.canCome(s) {
			warn(fmt.Sprintf("senders[%d]", i), s.Name+" has no way in: give it token_sha256, client_id, certificate_subject, a line in stream.users_file, or a v2 listener")
		}
	}
	words := map[string]string{}
	for i, s := range c.Sites {
		key := fmt.Sprintf("sites[%d].match", i)
		if len(s.Match) == 0 && s.Name != c.Fallback {
			warn(key, s.Name+" has no words, and is not fallback_site: no referral is ever meant for it")
		}
		for _, m := range s.Match {
			if first, ok := words[strings.ToLower(m)]; ok {
				warn(key, fmt.Sprintf("%q is that of %s too, and the first has it", m, first))
			} else {
				words[strings.ToLower(m)] = s.Name
			}
		}
	}
	if len(c.MR.Labelling) == 0 {
		warn("mr.labelling", "no file: every MR verdict on a patient with an implant is \"not established\"")
	}
	if c.MR.Scanners == "" {
		warn("mr.scanners", "no file: no verdict can name a scanner")
	}
	return out
}

// canCome says whether a sender can send anything to the running service.
func (c *config) canCome(s senderConfig) bool {
	if s.TokenSHA256 != "" || s.ClientID != "" || s.Subject != "" || c.Stream.URL != "" {
		return true
	}
	for _, v := range c.V2 {
		if v.Sender == s.Name {
			return true
		}
	}
	return c.Stream.Listen != "" && stream.HasUser(c.Stream.Users, s.Name)
}

func loopback(host string) bool {
	ip := net.ParseIP(host)
	return host == "localhost" || ip != nil && ip.IsLoopback()
}

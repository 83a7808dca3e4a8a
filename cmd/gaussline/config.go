package main

import (
	"fmt"
	"os"
	"path/filepath"
	"regexp"
	"strings"
	"time"

	"go.yaml.in/yaml/v3"

	"gaussline/adapters/access"
	"gaussline/adapters/fhirjson"
)

// config is the one configuration file. Paths are taken from the folder of the file. Secrets are never in it: it
// names files, or holds hashes. Every error names the key.
type config struct {
	DataDir string `yaml:"data_dir"` // folder of the embedded broker and store
	HTTP    struct {
		Listen  string `yaml:"listen"`   // host:port; default 127.0.0.1:8480
		BaseURL string `yaml:"base_url"` // public address of the FHIR base; without its /fhir that of pages and CDS services
		TLSCert string `yaml:"tls_cert"`
		TLSKey  string `yaml:"tls_key"`
		// ClientCA is the authority of client certificates. With it, a machine whose certificate_subject is named gets in
		// by its certificate; where it is required, nobody gets as far as a page without one.
		ClientCA           string   `yaml:"client_ca"`
		ClientCertRequired bool     `yaml:"client_certificate_required"`
		Proxies            []string `yaml:"proxies"` // networks whose X-Forwarded-For is believed
	} `yaml:"http"`
	Login  *loginConfig `yaml:"login"` // people log in at an OpenID Connect provider; absent: local accounts only
	Stream struct {
		URL         string `yaml:"url"` // outside servers, comma separated; empty: embedded
		Credentials string `yaml:"credentials"`
		NKeySeed    string `yaml:"nkey_seed"`
		Token       string `yaml:"token_file"`
		User        string `yaml:"user"`
		Password    string `yaml:"password_file"`
		CA          string `yaml:"ca"`
		Cert        string `yaml:"cert"`
		Key         string `yaml:"key"`
		Monitor     string `yaml:"monitor"`
		Replicas    int    `yaml:"replicas"`
		MaxBytes    int64  `yaml:"max_bytes"`
		Listen      string `yaml:"listen"` // embedded server: accept outside senders here
		Users       string `yaml:"users_file"`
		ListenCert  string `yaml:"listen_cert"`
		ListenKey   string `yaml:"listen_key"`
	} `yaml:"stream"`
	Store struct {
		URLFile string `yaml:"url_file"` // file with a PostgreSQL URL; empty: embedded SQLite
	} `yaml:"store"`
	Senders  []senderConfig `yaml:"senders"`
	Readers  []readerConfig `yaml:"readers"` // who may pull: role registry, operator or radiology
	Sites    []siteConfig   `yaml:"sites"`
	Fallback string         `yaml:"fallback_site"`
	V2       []v2Config     `yaml:"v2"`  // inboxes for orders in HL7 v2 over MLLP
	CDS      []cdsConfig    `yaml:"cds"` // ordering systems that may ask by CDS Hooks
	MR       struct {
		Labelling  []string `yaml:"labelling"`
		Scanners   string   `yaml:"scanners"`
		ReviewDays int      `yaml:"review_days"` // a label older than this since its review is stale; default 365
	} `yaml:"mr"`
	Registry registryConfig `yaml:"registry"`
	Limits   struct {
		MessageBytes int `yaml:"message_bytes"`
		Entries      int `yaml:"entries"`
		Depth        int `yaml:"depth"`
		Batch        int `yaml:"batch"`
		Decoders     int `yaml:"decoders"`
	} `yaml:"limits"`
	Tracing struct {
		Collector string  `yaml:"collector"` // OTLP over HTTP; empty: nothing is traced
		Share     float64 `yaml:"share"`     // of the messages, above 0 and up to 1; 0: 1, all
	} `yaml:"tracing"`
	LogLevel string `yaml:"log_level"`

	dir string // of the file
}

// registryConfig is who the registry is, the keys, and when months close.
type registryConfig struct {
	Name       string   `yaml:"name"`
	KeyFile    string   `yaml:"key_file"`         // pseudonym key, at least 32 bytes
	FormerKeys []string `yaml:"former_key_files"` // keys before it, oldest first; see the rekey command
	SignKey    string   `yaml:"sign_key_file"`    // Ed25519 private key that signs the months
	ClosedDir  string   `yaml:"closed_dir"`       // folder of the closed months, one for all nodes; "": registry/closed in data_dir
	CloseDay   int      `yaml:"close_day"`        // day of the next month on which a month is closed; 0: by a person
	SmallCells int      `yaml:"small_cells"`      // least number that an aggregate tells of; 0: 11, 1: all
}

type senderConfig struct {
	Name        string `yaml:"name"`
	BaseURL     string `yaml:"base_url"`     // of the sender's FHIR server, for absolute references
	TokenSHA256 string `yaml:"token_sha256"` // of its bearer token; empty: by signed assertion, certificate or NATS only

	machineConfig `yaml:",inline"`
}

type readerConfig struct {
	Name        string   `yaml:"name"`
	Role        string   `yaml:"role"`
	Sites       []string `yaml:"sites"` // whose orders a reader of role radiology sees
	TokenSHA256 string   `yaml:"token_sha256"`

	machineConfig `yaml:",inline"`
}

type siteConfig struct {
	Name         string   `yaml:"name"`
	Match        []string `yaml:"match"` // words in a referral's performer or location that mean this site
	FHIREndpoint string   `yaml:"fhir_endpoint"`
	TokenFile    string   `yaml:"token_file"`
	// RemindAfter is how long an urgent banner may stand unread before it is sent again, such as 4h; 0 or off never. Not
	// there: usualRemind.
	RemindAfter *interval `yaml:"remind_after"`
}

func (s siteConfig) remindAfter() time.Duration {
	if s.RemindAfter == nil {
		return usualRemind
	}
	return time.Duration(*s.RemindAfter)
}

// interval is a time such as 4h, or off, which is 0.
type interval time.Duration

// UnmarshalYAML reads one.
func (i *interval) UnmarshalYAML(n *yaml.Node) error {
	if n.Value == "off" || n.Value == "0" {
		*i = 0
		return nil
	}
	return n.Decode((*time.Duration)(i))
}

// usualRemind is the interval of a site that names none: common practice, no source.
const usualRemind = 4 * time.Hour

// minRemind is the shortest interval between reminders: a department that is flooded reads none.
const minRemind = 15 * time.Minute

var nameRule = regexp.MustCompile(`^[a-z0-9-]{1,40}$`)

// loadConfig reads, completes and checks a configuration. GAUSSLINE_DATA_DIR, GAUSSLINE_HTTP_LISTEN,
// GAUSSLINE_STREAM_URL, GAUSSLINE_STORE_URL_FILE and GAUSSLINE_LOG_LEVEL stand above the file; GAUSSLINE_LOGIN_SECRET is
// beside it.
func loadConfig(path string, env func(string) string) (*config, error) {
	if path == "" {
		return nil, usageError{"--config is needed"}
	}
	b, err := os.ReadFile(path)
	if err != nil {
		return nil, hinted{err, "deploy/gaussline.yaml is an example to start from"}
	}
	var c config
	c.defaults()
	if err := decodeConfig(b, &c); err != nil {
		return nil, fmt.Errorf("%s: %w", path, err)
	}
	if c.dir, err = filepath.Abs(filepath.Dir(path)); err != nil {
		return nil, err
	}
	c.fromEnv(env)
	if c.Tracing.Collector != "" && c.Tracing.Share == 0 {
		c.Tracing.Share = 1
	}
	c.resolvePaths()
	if err := c.check(); err != nil {
		return nil, fmt.Errorf("%s: %w", path, err)
	}
	return &c, nil
}

func (c *config) fromEnv(env func(string) string) {
	for name, field := range map[string]*string{"GAUSSLINE_DATA_DIR": &c.DataDir, "GAUSSLINE_HTTP_LISTEN": &c.HTTP.Listen,
		"GAUSSLINE_STREAM_URL": &c.Stream.URL, "GAUSSLINE_STORE_URL_FILE": &c.Store.URLFile, "GAUSSLINE_LOG_LEVEL": &c.LogLevel} {
		if v := env(name); v != "" {
			*field = v
		}
	}
	if c.Login != nil {
		c.Login.secret = env("GAUSSLINE_LOGIN_SECRET")
	}
}

// defaults stand before the file is read: a zero that is written there is a zero, and refused.
func (c *config) defaults() {
	c.HTTP.Listen, c.LogLevel, c.Registry.Name, c.MR.ReviewDays = "127.0.0.1:8480", "info", "registry", 365
	lim := fhirjson.DefaultLimits()
	c.Limits.MessageBytes, c.Limits.Entries, c.Limits.Depth = lim.Bytes, lim.Entries, lim.Depth
	c.Limits.Batch, c.Limits.Decoders = 500, 2
	c.Stream.Replicas = 1
}

func (c *config) resolvePaths() {
	paths := []*string{&c.DataDir, &c.HTTP.TLSCert, &c.HTTP.TLSKey, &c.HTTP.ClientCA, &c.Stream.Credentials, &c.Stream.NKeySeed, &c.Stream.Token,
		&c.Stream.Password, &c.Stream.CA, &c.Stream.Cert, &c.Stream.Key, &c.Stream.Users, &c.Stream.ListenCert, &c.Stream.ListenKey,
		&c.Store.URLFile, &c.MR.Scanners, &c.Registry.KeyFile, &c.Registry.SignKey, &c.Registry.ClosedDir}
	for i := range c.Registry.FormerKeys {
		paths = append(paths, &c.Registry.FormerKeys[i])
	}
	for i := range c.MR.Labelling {
		paths = append(paths, &c.MR.Labelling[i])
	}
	for i := range c.Sites {
		paths = append(paths, &c.Sites[i].TokenFile)
	}
	for i := range c.V2 {
		paths = append(paths, &c.V2[i].TLSCert, &c.V2[i].TLSKey)
	}
	for i := range c.CDS {
		paths = append(paths, &c.CDS[i].JWKSFile)
	}
	for _, m := range c.machines() {
		paths = append(paths, &m.JWKSFile)
	}
	if c.Login != nil {
		paths = append(paths, &c.Login.SecretFile)
	}
	for _, p := range paths {
		if *p != "" && !filepath.IsAbs(*p) {
			*p = filepath.Join(c.dir, *p)
		}
	}
}

func (c *config) limits() fhirjson.Limits {
	return fhirjson.Limits{Bytes: c.Limits.MessageBytes, Entries: c.Limits.Entries, Depth: c.Limits.Depth}
}

func (c *config) reviewInterval() time.Duration {
	return time.Duration(c.MR.ReviewDays) * 24 * time.Hour
}

// tokens gives the callers with a token.
func (c *config) tokens() ([]access.Token, error) {
	var out []access.Token
	add := func(c access.Caller, hash string) error {
		if hash == "" {
			return nil
		}
		h, err := access.ParseHash(hash)
		out = append(out, access.Token{Caller: c, SHA256: h})
		return err
	}
	for _, s := range c.Senders {
		if err := add(access.Caller{Name: s.Name, Role: access.Sender}, s.TokenSHA256); err != nil {
			return nil, err
		}
	}
	for _, r := range c.Readers {
		if err := add(access.Caller{Name: r.Name, Role: access.Role(r.Role), Sites: r.Sites}, r.TokenSHA256); err != nil {
			return nil, err
		}
	}
	return out, nil
}

// secret reads a file that holds one secret, without the line end.
func secret(path string) (string, error) {
	if path == "" {
		return "", nil
	}
	b, err := os.ReadFile(path)
	return strings.TrimRight(string(b), "\r\n"), err
}

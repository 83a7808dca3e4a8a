package files

import (
	"bytes"
	"crypto/sha256"
	"encoding/hex"
	"encoding/json"
	"fmt"
	"os"
	"path/filepath"

	"gaussline/mapping/registry"
	"gaussline/schemas"
)

// Names of the files of a month.
const (
	RowsNDJSON    = "rows.ndjson"
	RowsCSV       = "rows.csv"
	RejectsNDJSON = "rejects.ndjson"
	RejectsCSV    = "rejects.csv"
	RowSchema     = "registry-row.schema.json"
	ManifestFile  = "datapackage.json"
	SignatureFile = "datapackage.json.sig"
)

// States of a month.
const (
	Open   = "open"   // may still change
	Closed = "closed" // never changes
)

// dataPackage is the profile of Data Package version 2.
const dataPackage = "https://datapackage.org/profiles/2.0/datapackage.json"

// maxManifestBytes bounds the reading of a manifest.
const maxManifestBytes = 1 << 20

// Manifest is datapackage.json: what the folder of a month holds.
type Manifest struct {
	Schema    string     `json:"$schema"`
	Name      string     `json:"name"`
	Title     string     `json:"title"`
	Resources []Resource `json:"resources"`
	Registry  Month      `json:"registry"`
}

// Resource is one file.
type Resource struct {
	Name      string       `json:"name"`
	Path      string       `json:"path"`
	Type      string       `json:"type,omitempty"` // table, for CSV
	Format    string       `json:"format"`
	MediaType string       `json:"mediatype"`
	Encoding  string       `json:"encoding"`
	Bytes     int64        `json:"bytes"`
	Hash      string       `json:"hash"`  // sha256:hex
	Lines     int64        `json:"lines"` // rows, without a CSV header
	Fields    *TableSchema `json:"schema,omitempty"`
}

// TableSchema names and types CSV columns.
type TableSchema struct {
	Fields        []Field  `json:"fields"`
	PrimaryKey    []string `json:"primaryKey,omitempty"`
	MissingValues []string `json:"missingValues"`
}

// Field is one CSV column.
type Field struct {
	Name string `json:"name"`
	Type string `json:"type"`
}

// Month says which month it is and what is in it.
type Month struct {
	Registry      string `json:"registry"`
	Period        string `json:"period"`
	Status        string `json:"status"`
	KeyID         string `json:"keyId"` // of the pseudonym key
	SchemaVersion string `json:"schemaVersion"`
	RuleSet       string `json:"ruleSet"`
	// Previous is the SHA-256 of the manifest of the month closed before, "" for the first.
	Previous string `json:"previousManifest,omitempty"`
	Counts   Counts `json:"counts"`
}

// Counts of a month. Rows is New, Amended and Retracted together.
type Counts struct {
	Rows         int64            `json:"rows"`
	New          int64            `json:"new"`
	Amended      int64            `json:"amended"`
	Retracted    int64            `json:"retracted"`
	Late         int64            `json:"late"`    // new rows of an earlier month
	Undated      int64            `json:"undated"` // new rows whose month is not known
	ByKind       map[string]int64 `json:"byKind"`  // new and amended rows
	RejectedRows int64            `json:"rejectedRows"`
	Rejects      int64            `json:"rejects"` // reasons: a row may have several
}

func (c *Counts) count(r registry.Row) {
	c.Rows++
	switch r.Action {
	case registry.ActionRetract:
		c.Retracted++
		return
	case registry.ActionAmend:
		c.Amended++
	default:
		c.New++
		if r.PeriodOfEvent == "" {
			c.Undated++
		} else if r.PeriodOfEvent < r.PeriodOfReport {
			c.Late++
		}
	}
	c.ByKind[r.Kind]++
}

// ReadManifest reads the manifest of a month's folder with its bytes.
func ReadManifest(dir string) (m Manifest, raw []byte, err error) {
	path := filepath.Join(dir, ManifestFile)
	info, err := os.Stat(path)
	if err != nil {
		return m, nil, err
	}
	if info.Size() > maxManifestBytes {
		return m, nil, fmt.Errorf("%s: over %d bytes", path, maxManifestBytes)
	}
	if raw, err = os.ReadFile(path); err != nil {
		return m, nil, err
	}
	d := json.NewDecoder(bytes.NewReader(raw))
	d.DisallowUnknownFields()
	if err := d.Decode(&m); err != nil {
		return m, raw, fmt.Errorf("%s: %w", path, err)
	}
	return m, raw, nil
}

// Resource finds a file by its path in the folder.
func (m Manifest) Resource(path string) (Resource, bool) {
	for _, r := range m.Resources {
		if r.Path == path {
			return r, true
		}
	}
	return Resource{}, false
}

// Hash gives "sha256:" and the hex SHA-256 of b, as Data Package writes it.
func Hash(b []byte) string {
	h := sha256.Sum256(b)
	return "sha256:" + hex.EncodeToString(h[:])
}

func rowSchemaBytes() ([]byte, error) {
	b, err := schemas.FS.ReadFile(RowSchema)
	if err != nil {
		return nil, fmt.Errorf("row schema: %w", err)
	}
	return b, nil
}

func tableSchema(columns, key []string) *TableSchema {
	t := &TableSchema{PrimaryKey: key, MissingValues: []string{""}}
	for _, c := range columns {
		typ := "string"
		if c == "version" || c == "birth_year" {
			typ = "integer"
		}
		t.Fields = append(t.Fields, Field{c, typ})
	}
	return t
}

package mri

import (
	"bytes"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"time"

	"gaussline/mapping/implant"
)

// Limits on one labelling file. The largest sensible catalogue of a site is a few hundred systems.
const (
	maxLabellingBytes = 8 << 20
	maxSystems        = 5000
	maxSetsPerLabel   = 16
	maxSlots          = 32
	maxListed         = 200 // entries of any one list in a label
)

// LabellingFormat is the version of the file format that this package reads.
const LabellingFormat = "gaussline-labelling-1"

// Labelling is one file of labels that a site keeps. Make it with [ParseLabelling]: a literal decides nothing.
// Numbers are text as printed on the label ("720 G/cm"); they are converted once, when the file is read.
type Labelling struct {
	Format     string           `json:"format"`
	Notice     string           `json:"notice,omitempty"` // says, for one, that the content is invented
	Documents  []Document       `json:"documents"`
	Systems    []System         `json:"systems,omitempty"`
	Components []ComponentLabel `json:"components,omitempty"`
	File       string           `json:"-"` // its name at the site, for people

	complaints []Complaint
	index      *index
}

// Document is one edition of a maker's labelling that the site relies on (R18).
type Document struct {
	ID       string       `json:"id"`
	Title    string       `json:"title,omitempty"`
	Maker    string       `json:"maker"`
	Edition  string       `json:"edition"`
	Issued   implant.When `json:"issued"`
	Reviewed implant.When `json:"reviewed,omitempty"` // when somebody of the site last compared it with the maker's current one
	Reviewer string       `json:"reviewer,omitempty"` // role or initials
	Marking  string       `json:"marking,omitempty"`  // marking standard whose words it uses: "ASTM F2503-20"
	// Withdrawn says that the document is no longer the maker's current one.
	Withdrawn bool `json:"withdrawn,omitempty"`

	reviewed   time.Time // first moment that Reviewed can mean
	isReviewed bool
}

// System is one permitted combination (R1) with its alternative condition sets.
type System struct {
	ID       string `json:"id"`
	Document string `json:"document"`
	Name     string `json:"name,omitempty"`
	Maker    string `json:"maker,omitempty"` // "" takes the document's
	// Parts are the permitted parts; a model may be in one slot only.
	Parts []Slot `json:"parts"`
	// LeadsMin and LeadsMax bound the number of leads over all slots; 0 states nothing.
	LeadsMin int `json:"leadsMin,omitempty"`
	LeadsMax int `json:"leadsMax,omitempty"`
	// Sets are alternatives: each is complete in itself.
	Sets  []ConditionSet `json:"sets"`
	Words string         `json:"words,omitempty"` // how the label describes the combination
}

// Slot is a place in a combination for parts of one kind.
type Slot struct {
	Kind   implant.Kind `json:"kind"`
	Maker  string       `json:"maker,omitempty"` // "" takes the system's
	Models []string     `json:"models"`
	DIs    []string     `json:"deviceIdentifiers,omitempty"`
	Min    int          `json:"min"` // fewest that the combination has
	Max    int          `json:"max"` // most that it may have
	// Lengths are permitted lengths where a model comes in several; then the length must be on record.
	Lengths []string       `json:"lengths,omitempty"`
	Regions []string       `json:"regions,omitempty"` // permitted regions of the part, words of package codes
	Pockets []string       `json:"pockets,omitempty"` // permitted pocket sites, words of package codes
	Levels  *Span          `json:"levels,omitempty"`  // for Site.Level
	Tip     *Span          `json:"tip,omitempty"`     // for Site.Tip
	Entry   *Span          `json:"entry,omitempty"`   // for Site.Entry
	Sides   []implant.Side `json:"sides,omitempty"`
	Words   string         `json:"words,omitempty"`
}

// Span is a stretch of the body between two landmarks, both included: "T8" to "L1", "vertex" to "C7".
type Span struct {
	From string `json:"from"`
	To   string `json:"to"`
}

// ComponentLabel is the label of a part by itself: passive hardware, or a part that is MR Unsafe whatever it is
// combined with.
type ComponentLabel struct {
	ID       string           `json:"id"`
	Document string           `json:"document"`
	Maker    string           `json:"maker,omitempty"`
	Kind     implant.Kind     `json:"kind"`
	Models   []string         `json:"models"`
	DIs      []string         `json:"deviceIdentifiers,omitempty"`
	Status   implant.MRStatus `json:"status"`
	Sets     []ConditionSet   `json:"sets,omitempty"` // of an MR Conditional part
	Words    string           `json:"words,omitempty"`
}

// ConditionSet is one complete set of labelled conditions. What it leaves out is not stated: silence is
// unknown, not unlimited.
type ConditionSet struct {
	ID              string   `json:"id"`
	Fields          []string `json:"fields,omitempty"`      // a set, not a range: "1.5 T", "3 T"
	FieldAtMost     string   `json:"fieldAtMost,omitempty"` // older wording "3 T or less"
	Magnets         []string `json:"magnets,omitempty"`     // cylindrical, open
	Nuclei          []string `json:"nuclei,omitempty"`      // 1H
	SpatialGradient string   `json:"spatialGradient,omitempty"`
	SlewRate        string   `json:"slewRate,omitempty"`
	DBDt            string   `json:"dbdt,omitempty"`
	Excitation      []string `json:"excitation,omitempty"`    // circular, multichannel
	Coils           []string `json:"transmitCoils,omitempty"` // body, head, extremity
	Modes           []string `json:"modes,omitempty"`         // normal, first-level
	WholeBodySAR    string   `json:"wholeBodySAR,omitempty"`
	HeadSAR         string   `json:"headSAR,omitempty"`
	PartialBodySAR  string   `json:"partialBodySAR,omitempty"`
	B1Rms           string   `json:"b1rms,omitempty"`
	ScanTime        string   `json:"scanTime,omitempty"` // continuous
	Wait            string   `json:"wait,omitempty"`     // after it
	Session         string   `json:"session,omitempty"`  // total
	// Region says where the isocentre may be.
	Region    *RegionRule `json:"region,omitempty"`
	Positions []string    `json:"positions,omitempty"` // supine, prone, ...
	Before    []string    `json:"before,omitempty"`    // check codes
	Patient   []string    `json:"patient,omitempty"`   // check codes
	After     []string    `json:"after,omitempty"`     // check codes
	Healing   string      `json:"healing,omitempty"`   // from implant or re-operation
	// Abandoned lists what may be left in the body beside the system; without it nothing may (R2).
	Abandoned []Allowance `json:"abandoned,omitempty"`
	// OtherActive: "barred", "allowed", or "" not stated.
	OtherActive string            `json:"otherActive,omitempty"`
	Artefact    string            `json:"artefact,omitempty"` // quality, not safety
	Words       map[string]string `json:"words,omitempty"`    // element code → the label's sentence
}

// RegionRule says where the isocentre may be: anywhere when WholeBody, else in one of Permit or with the exam's
// region among Regions; and never in Exclude, nor within Distance of a part of the system.
type RegionRule struct {
	WholeBody bool     `json:"wholeBody,omitempty"`
	Regions   []string `json:"regions,omitempty"` // words of package codes
	Permit    []Span   `json:"permit,omitempty"`
	Exclude   []Span   `json:"exclude,omitempty"`
	Distance  string   `json:"distance,omitempty"` // least distance of the isocentre from the part
	From      []string `json:"from,omitempty"`     // kinds of part that the distance is from; none is all
}

// Allowance is an abandoned part that a label tolerates.
type Allowance struct {
	Kind    implant.Kind    `json:"kind"`
	States  []implant.State `json:"states"`
	Models  []string        `json:"models,omitempty"`
	Regions []string        `json:"regions,omitempty"` // where it may be
}

// ErrLabelling is what every error of ParseLabelling and ParseScanners wraps.
var ErrLabelling = errors.New("labelling file refused")

// ParseLabelling decodes a labelling file, reads its numbers and checks their sense. On an error of content the
// file comes back too, so that [Lint] can explain all that is wrong. It decides nothing then. Shape is checked by
// labelling.schema.json elsewhere; unknown names are refused here as well.
func ParseLabelling(b []byte) (Labelling, error) {
	var l Labelling
	if err := strictJSON(b, &l); err != nil {
		return Labelling{}, err
	}
	l.compile()
	for _, c := range l.complaints {
		if c.Severity == SeverityError {
			l.index = nil
			return l, fmt.Errorf("%w: %s: %s", ErrLabelling, c.Path, c.Text)
		}
	}
	return l, nil
}

func strictJSON(b []byte, v any) error {
	if len(b) > maxLabellingBytes {
		return fmt.Errorf("%w: %d bytes, the limit is %d", ErrLabelling, len(b), maxLabellingBytes)
	}
	d := json.NewDecoder(bytes.NewReader(b))
	d.UseNumber()
	d.DisallowUnknownFields()
	if err := d.Decode(v); err != nil {
		return fmt.Errorf("%w: %v", ErrLabelling, err)
	}
	if _, err := d.Token(); !errors.Is(err, io.EOF) {
		return fmt.Errorf("%w: something follows the value", ErrLabelling)
	}
	return nil
}

package mri

import (
	"fmt"
	"slices"
)

// ScannersFormat is the version of the scanner file that this package reads.
const ScannersFormat = "gaussline-scanners-1"

const maxScanners = 500

// Scanner is one MR scanner of a site as its data sheet and settings have it. An empty list or text is not known.
// Make it with [ParseScanners].
type Scanner struct {
	ID              string   `json:"id"`
	Site            string   `json:"site"`
	Name            string   `json:"name,omitempty"`
	Field           string   `json:"field,omitempty"`           // "1.5 T"
	Magnet          string   `json:"magnet,omitempty"`          // cylindrical, open
	Bore            string   `json:"bore,omitempty"`            // "70 cm"; for information
	SpatialGradient string   `json:"spatialGradient,omitempty"` // patient-accessible maximum
	SlewRate        string   `json:"slewRate,omitempty"`        // maximum per axis
	DBDt            string   `json:"dbdt,omitempty"`            // maximum
	SlewLimit       string   `json:"slewLimit,omitempty"`       // "yes": the operator can hold it to a number
	Modes           []string `json:"modes,omitempty"`           // normal, first-level
	Coils           []string `json:"transmitCoils,omitempty"`   // body, head, extremity
	Excitation      []string `json:"excitation,omitempty"`      // circular, multichannel
	B1Rms           string   `json:"b1rms,omitempty"`           // "limited", "shown", "no"

	values scannerValues
}

type scannerValues struct {
	read                        bool
	field, gradient, slew, dbdt Quantity // Printed "" is not known
	modes, coils, excitation    bits
	magnet                      bits
}

type scannersFile struct {
	Format   string    `json:"format"`
	Notice   string    `json:"notice,omitempty"`
	Scanners []Scanner `json:"scanners"`
}

// ParseScanners decodes a scanner file and reads its numbers, by the rules of [ParseQuantity].
func ParseScanners(b []byte) ([]Scanner, error) {
	var f scannersFile
	if err := strictJSON(b, &f); err != nil {
		return nil, err
	}
	if f.Format != ScannersFormat {
		return nil, fmt.Errorf("%w: format is %.40q, wanted %q", ErrLabelling, f.Format, ScannersFormat)
	}
	if len(f.Scanners) > maxScanners {
		return nil, fmt.Errorf("%w: %d scanners, the limit is %d", ErrLabelling, len(f.Scanners), maxScanners)
	}
	ids := map[string]bool{}
	for i := range f.Scanners {
		s := &f.Scanners[i]
		if s.ID == "" || ids[s.ID] {
			return nil, fmt.Errorf("%w: scanners[%d]: id %.40q is empty or used twice", ErrLabelling, i, s.ID)
		}
		ids[s.ID] = true
		if err := s.read(); err != nil {
			return nil, fmt.Errorf("%w: scanners[%d] %.40q: %w", ErrLabelling, i, s.ID, err)
		}
	}
	return f.Scanners, nil
}

func (s *Scanner) read() error {
	v := scannerValues{read: true}
	for _, q := range []struct {
		text string
		dim  Dimension
		to   *Quantity
	}{
		{s.Field, Field, &v.field}, {s.SpatialGradient, FieldGradient, &v.gradient},
		{s.SlewRate, SlewRate, &v.slew}, {s.DBDt, FieldRate, &v.dbdt}, {s.Bore, Length, new(Quantity)},
	} {
		if q.text == "" {
			continue
		}
		got, err := ParseQuantity(q.text, q.dim)
		if err != nil {
			return err
		}
		*q.to = got
	}
	for _, w := range []struct {
		words []string
		vocab []string
		to    *bits
	}{
		{s.Modes, modeWords, &v.modes}, {s.Coils, coilWords, &v.coils}, {s.Excitation, excitationWords, &v.excitation},
		{one(s.Magnet), magnetWords, &v.magnet},
	} {
		got, bad := bitsOf(w.words, w.vocab)
		if bad != "" {
			return fmt.Errorf("%.40q is not one of %v", bad, w.vocab)
		}
		*w.to = got
	}
	if !slices.Contains([]string{"", "limited", "shown", "no"}, s.B1Rms) || !slices.Contains([]string{"", "yes", "no"}, s.SlewLimit) {
		return fmt.Errorf("b1rms is limited, shown, no or left out; slewLimit is yes, no or left out")
	}
	s.values = v
	return nil
}

// Words of the closed lists. Source: the FDA guidance of 2023 (from memory) and the modes of IEC 60601-2-33.
var (
	magnetWords     = []string{"cylindrical", "open"}
	coilWords       = []string{"body", "head", "extremity"} // transmit coils
	modeWords       = []string{"normal", "first-level"}
	excitationWords = []string{"circular", "multichannel"}
	positionWords   = []string{"supine", "prone", "decubitus-left", "decubitus-right", "arms-at-side", "arms-up"}
	nucleusWords    = []string{"1H", "other"}
)

// bits is a set of words of one closed list; 0 is "not stated", not "none".
type bits uint8

func bitsOf(words, vocab []string) (b bits, bad string) {
	for _, w := range words {
		i := slices.Index(vocab, w)
		if i < 0 {
			return 0, w
		}
		b |= 1 << i
	}
	return b, ""
}

func (b bits) words(vocab []string) []string {
	var out []string
	for i, w := range vocab {
		if b&(1<<i) != 0 {
			out = append(out, w)
		}
	}
	return out
}

func one(s string) []string {
	if s == "" {
		return nil
	}
	return []string{s}
}

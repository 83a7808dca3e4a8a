package main

import (
	"context"
	"fmt"
	"slices"
	"strings"
	"time"

	"gaussline/mapping/implant"
	"gaussline/mapping/mri"
	"gaussline/mapping/udi"
)

// checkLabelling prints what is wrong or doubtful in labelling files: what the verdict's own reading complains of, and
// what can be told only with a clock, with the rules of device identifiers, or from all files together.
func checkLabelling(_ context.Context, p *program, args []string) error {
	if len(args) == 0 {
		return usageError{"a labelling file is needed"}
	}
	complaints, sources := 0, map[string]string{}
	for _, path := range args {
		l, err := readLabelling(path)
		if err != nil {
			return err
		}
		for _, c := range slices.Concat(mri.Lint(l), doubtfulDates(l, time.Now()), doubtfulIdentifiers(l), doubtfulUnits(l), sharedSources(l, path, sources)) {
			fmt.Fprintf(p.out, "%s: %s: %s: %s\n", path, c.Severity, c.Path, c.Text)
			complaints++
		}
	}
	if complaints > 0 {
		return errHeld
	}
	fmt.Fprintln(p.out, "no complaints")
	return nil
}

func doubt(path, format string, args ...any) mri.Complaint {
	return mri.Complaint{Severity: mri.SeverityWarning, Path: path, Text: fmt.Sprintf(format, args...)}
}

// doubtfulDates finds reviews that have not been: they would keep a label fresh for longer than it is.
func doubtfulDates(l mri.Labelling, now time.Time) (out []mri.Complaint) {
	for i, d := range l.Documents {
		for _, x := range []struct {
			key string
			at  implant.When
		}{{"issued", d.Issued}, {"reviewed", d.Reviewed}} {
			if from, _, ok := x.at.Bounds(); ok && from.After(now) {
				out = append(out, doubt(fmt.Sprintf("documents[%d].%s", i, x.key), "%s is in the future", x.at))
			}
		}
	}
	return out
}

// gtinLength is of a GTIN as it stands in a UDI (GS1 General Specifications, AI 01).
const gtinLength = 14

// doubtfulIdentifiers finds GTINs whose check digit does not fit: no part would ever be found by them.
func doubtfulIdentifiers(l mri.Labelling) (out []mri.Complaint) {
	check := func(path string, dis []string) {
		for i, di := range dis {
			if len(di) == gtinLength && strings.Trim(di, "0123456789") == "" && udi.Parse("(01)"+di, 0).Check == udi.CheckFailed {
				out = append(out, doubt(fmt.Sprintf("%s.deviceIdentifiers[%d]", path, i), "%s: the check digit of this GTIN does not fit", di))
			}
		}
	}
	for i, s := range l.Systems {
		for j, slot := range s.Parts {
			check(fmt.Sprintf("systems[%d].parts[%d]", i, j), slot.DIs)
		}
	}
	for i, c := range l.Components {
		check(fmt.Sprintf("components[%d]", i), c.DIs)
	}
	return out
}

// doubtfulUnits finds spatial gradients in mT/m: imaging gradients are told in it, and a thousandfold slip stays within
// usual numbers. Labels print T/m or G/cm (common practice, no source).
func doubtfulUnits(l mri.Labelling) (out []mri.Complaint) {
	check := func(path string, sets []mri.ConditionSet) {
		for i, s := range sets {
			if strings.Contains(strings.ReplaceAll(s.SpatialGradient, " ", ""), "mT/m") {
				out = append(out, doubt(fmt.Sprintf("%s.sets[%d].spatialGradient", path, i),
					"%q: mT/m is the unit of imaging gradients; a spatial field gradient is printed in T/m or G/cm. Compare it with the label", s.SpatialGradient))
			}
		}
	}
	for i, s := range l.Systems {
		check(fmt.Sprintf("systems[%d]", i), s.Sets)
	}
	for i, c := range l.Components {
		check(fmt.Sprintf("components[%d]", i), c.Sets)
	}
	return out
}

// sharedSources finds power sources that are in two systems: the parts around one decide then which label holds. seen
// remembers the systems of all files by maker and model. Leads are in several systems as a rule.
func sharedSources(l mri.Labelling, file string, seen map[string]string) (out []mri.Complaint) {
	for i, s := range l.Systems {
		for j, slot := range s.Parts {
			if slot.Kind != implant.Generator && slot.Kind != implant.Pump {
				continue
			}
			for _, m := range slot.Models {
				where := file + " system " + s.ID
				key := strings.ToLower(makerOf(l, s, slot) + "\x00" + m)
				if first := seen[key]; first != "" && first != where {
					out = append(out, doubt(fmt.Sprintf("systems[%d].parts[%d].models", i, j), "%s is in %s too: is that meant?", m, first))
				}
				seen[key] = where
			}
		}
	}
	return out
}

// makerOf gives a slot's maker: its own, or the system's, or the document's.
func makerOf(l mri.Labelling, s mri.System, slot mri.Slot) string {
	for _, m := range []string{slot.Maker, s.Maker} {
		if m != "" {
			return m
		}
	}
	for _, d := range l.Documents {
		if d.ID == s.Document {
			return d.Maker
		}
	}
	return ""
}

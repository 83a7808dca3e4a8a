package main

import (
	"context"
	"encoding/json"
	"fmt"
	"slices"
	"strconv"
	"strings"
	"time"

	"gaussline/mapping/implant"
	"gaussline/mapping/mri"
	"gaussline/mapping/udi"
)

// checkLabelling prints all that is wrong or doubtful in labelling files: where they do not fit the schema, what the
// verdict's own reading complains of, and what can be told only with a clock, with the rules of device identifiers, or
// from all files together.
func checkLabelling(_ context.Context, p *program, args []string) error {
	fs := p.flags("check-labelling")
	if err := parse(fs, args); err != nil {
		return err
	}
	if fs.NArg() == 0 {
		return usageError{"a labelling file is needed"}
	}
	complaints, unusable, sources := 0, 0, map[string]string{}
	for _, path := range fs.Args() {
		found, err := complaintsOf(path, sources, time.Now())
		if err != nil {
			fmt.Fprintf(p.out, "%s: error: %s\n", path, strings.TrimPrefix(err.Error(), path+": "))
			unusable++
			continue
		}
		for _, c := range found {
			at := c.Path
			if c.Where != "" {
				at += " (" + c.Where + ")"
			}
			fmt.Fprintf(p.out, "%s: %s: %s: %s\n", path, c.Severity, at, c.Text)
		}
		complaints += len(found)
		if slices.ContainsFunc(found, func(c mri.Complaint) bool { return c.Severity == mri.SeverityError }) {
			unusable++
		}
	}
	switch {
	case unusable > 0:
		return fmt.Errorf("%s cannot be used", many(unusable, "file"))
	case complaints > 0:
		return errHeld
	}
	fmt.Fprintln(p.out, "no complaints")
	return nil
}

// complaintsOf gives all complaints about one file. The error is for a file that is no JSON at all.
func complaintsOf(path string, sources map[string]string, now time.Time) ([]mri.Complaint, error) {
	b, problems, err := readAgainst(path, "labelling.schema.json")
	if err != nil {
		return nil, err
	}
	var l mri.Labelling
	_ = json.Unmarshal(b, &l) // what does not fit is left out here, and among the problems
	var shape []mri.Complaint
	for _, x := range problems {
		at := pathOf(x.Pointer)
		shape = append(shape, mri.Complaint{Severity: mri.SeverityError, Path: at, Where: l.Where(at), Text: x.Text})
	}
	sense := slices.Concat(mri.Lint(l), doubtfulDates(l, now), doubtfulIdentifiers(l), doubtfulUnits(l), sharedSources(l, path, sources))
	for i := range sense {
		sense[i].Where = l.Where(sense[i].Path)
	}
	sense = slices.DeleteFunc(sense, func(c mri.Complaint) bool {
		return slices.ContainsFunc(shape, func(x mri.Complaint) bool { return c.Path == x.Path || strings.HasPrefix(c.Path, x.Path+"[") })
	})
	return append(shape, sense...), nil
}

// pathOf writes a JSON Pointer as the other complaints write their paths: systems[0].sets[1].fields.
func pathOf(pointer string) string {
	var b strings.Builder
	for step := range strings.SplitSeq(strings.TrimPrefix(pointer, "/"), "/") {
		step = strings.NewReplacer("~1", "/", "~0", "~").Replace(step)
		switch _, err := strconv.Atoi(step); {
		case err == nil:
			b.WriteString("[" + step + "]")
		case b.Len() > 0:
			b.WriteString("." + step)
		default:
			b.WriteString(step)
		}
	}
	return b.String()
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

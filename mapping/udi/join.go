package udi

import "slices"

// Join puts a scan of a device identifier and a scan of its production identifiers together; the order does not
// matter. The pairing rules then hold over both. What the two contradict each other in is a problem, and the
// first keeps its value. Problem offsets stay those of the string each came from.
func Join(a, b Result) Result {
	if a.DI == "" && b.DI != "" {
		a, b = b, a
	}
	out := a
	out.Other = slices.Clone(a.Other)
	out.Problems = slices.Clone(a.Problems)
	if a.Issuer != b.Issuer {
		out.errorAt(0, CodeIssuers, "two scans of different issuing agencies: not joined")
		return out
	}
	out.Problems = slices.DeleteFunc(append(out.Problems, b.Problems...), func(p Problem) bool {
		return p.Code == CodeNoDI || p.Code == CodePairing
	})
	out.Form = FormCombined
	j := parser{r: &out}
	for _, f := range []struct {
		dst         *string
		value, name string
	}{
		{&out.DI, b.DI, "device identifier"}, {&out.Lot, b.Lot, "lot"}, {&out.Serial, b.Serial, "serial"},
		{&out.DIN, b.DIN, "DIN"}, {&out.Software, b.Software, "software version"},
	} {
		if f.value != "" {
			j.text(f.dst, f.name, f.value, 0)
		}
	}
	if !b.Expiry.IsZero() {
		j.date(&out.Expiry, "expiry", b.Expiry, 0)
	}
	if !b.Made.IsZero() {
		j.date(&out.Made, "manufacturing date", b.Made, 0)
	}
	out.Other = appendNew(out.Other, b.Other)
	out.Check = joinCheck(a.Check, b.Check)
	if a.Form == FormPrimary && b.Form == FormSecondary && a.CheckChr != b.Link {
		out.errorAt(0, CodeLink, "link character of the secondary is not the check character of the primary: "+
			"the two may belong to different devices")
	}
	out.Link, out.CheckChr = "", ""
	switch {
	case out.Issuer == GS1:
		out.pairing()
	case out.DI == "":
		out.warnAt(0, CodeNoDI, "neither scan has a device identifier")
	}
	return out
}

func appendNew(to, from []Element) []Element {
	for _, e := range from {
		if !slices.Contains(to, e) {
			to = append(to, e)
		}
	}
	return to
}

func joinCheck(a, b string) string {
	switch {
	case a == CheckFailed || b == CheckFailed:
		return CheckFailed
	case a == CheckOK || b == CheckOK:
		return CheckOK
	}
	return CheckNone
}

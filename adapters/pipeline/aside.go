package pipeline

import (
	"gaussline/adapters/fhirjson"
	"gaussline/mapping/intake"
)

// mayBeAside says whether an entry of a type that is not read should be looked through for words of an implant.
func mayBeAside(e fhirjson.Entry) bool {
	return len(e.Raw) > 0 && e.Type != "" && e.Type != "Binary" && intake.WorthALook(e.Raw)
}

func asideOf(raw []byte) *intake.Aside {
	g := fhirjson.Peek(raw)
	if len(g.Patients) == 0 {
		return nil
	}
	said, _ := fhirjson.Words(raw)
	return &intake.Aside{Patients: g.Patients, VersionID: g.VersionID, LastUpdated: g.LastUpdated, Status: g.Status, Said: said}
}

// mayTell says whether a refused resource could have told of an implant, so that its patient's record must say that it is
// unread.
func mayTell(typ string, raw []byte) bool {
	said, whole := fhirjson.Words(raw)
	return intake.RefusedMayTell(typ, said, whole)
}

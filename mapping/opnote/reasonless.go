package opnote

import "gaussline/mapping/implant"

// reworkKinds are what a reason can be the reason of.
var reworkKinds = map[implant.FactKind]bool{implant.Removed: true, implant.ReportedGone: true, implant.RemovedPart: true, implant.Exchanged: true, implant.Repositioned: true, implant.WasCut: true,
	implant.WasCapped: true, implant.Planned: true, implant.Abandoned: true, implant.Disconnected: true}

// reasonless drops what reads like the reason of a revision in a letter that tells of no revision, done or intended; what
// could also have gone wrong is kept as that.
func (r *reader) reasonless() {
	if r.noteType == TypeProcedure || r.noteType == TypeDischarge {
		return
	}
	for i := range r.drafts {
		if d := &r.drafts[i]; reworkKinds[d.Kind] {
			return
		}
	}
	for _, q := range r.asks {
		if q.Code == implant.AskRemovalDoubtful || q.Code == implant.AskNotDone {
			return
		}
	}
	for i := range r.drafts {
		d := &r.drafts[i]
		if d.Kind != implant.Reason {
			continue
		}
		if v := troubleOf[d.Value]; v != "" {
			d.Kind, d.Value = implant.Complication, v
		} else {
			d.Kind = ""
		}
	}
}

// troubleOf gives what went wrong by the reason it would be.
var troubleOf = map[string]string{"infection": "infection", "lead-migration": "migration", "lead-fracture": "fracture", "erosion": "erosion", "pain-at-site": "pain-at-site",
	"allergy": "allergy", "neurological-injury": "nerve-injury", "recharge-burden": "charging-problem"}

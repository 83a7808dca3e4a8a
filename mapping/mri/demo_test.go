package mri

import (
	"os"
	"testing"
	"time"

	"gaussline/mapping/codes"
	"gaussline/mapping/implant"
)

const scenario = "../../testdata/scenario/"

func read(t testing.TB, name string) []byte {
	t.Helper()
	b, err := os.ReadFile(name)
	if err != nil {
		t.Fatal(err)
	}
	return b
}

// demo gives the invented labelling and scanners of the scenario.
func demo(t testing.TB) ([]Labelling, []Scanner) {
	t.Helper()
	l, err := ParseLabelling(read(t, scenario+"labelling.json"))
	if err != nil {
		t.Fatal(err)
	}
	s, err := ParseScanners(read(t, scenario+"scanners.json"))
	if err != nil {
		t.Fatal(err)
	}
	return []Labelling{l}, s
}

var asOf = time.Date(2026, 11, 25, 9, 0, 0, 0, time.UTC)

func demoPart(id, sys string, k implant.Kind, maker, model string, site implant.Site) implant.Part {
	return implant.Part{ID: id, System: sys, State: implant.Connected, Implanted: "2025-02-03", Site: site,
		Component: implant.Component{Kind: k, Maker: maker, Model: model}}
}

func g210() implant.Record {
	const tb = "Tarnbeck Devices"
	return implant.Record{Patient: "p", Parts: []implant.Part{
		demoPart("part-g", "sys-1", implant.Generator, tb, "TB-G210", implant.Site{Pocket: codes.Buttock, Side: implant.Right}),
		demoPart("part-l", "sys-1", implant.Lead, tb, "TB-L45", implant.Site{Region: codes.LumbarBack, Level: "L3", Side: implant.Left}),
		demoPart("part-r", "sys-1", implant.Lead, tb, "TB-L45", implant.Site{Region: codes.LumbarBack, Level: "L3", Side: implant.Right}),
	}}
}

// twoSystems has the full-body lumbar system and the epidural one, each within its own label at 1.5 T.
func twoSystems() implant.Record {
	const tb, mv = "Tarnbeck Devices", "Morvane Medical"
	return implant.Record{Patient: "p", Parts: []implant.Part{
		demoPart("a-g", "sys-1", implant.Generator, tb, "TB-G300", implant.Site{Pocket: codes.Buttock}),
		demoPart("a-l", "sys-1", implant.Lead, tb, "TB-L45", implant.Site{Region: codes.LumbarBack, Level: "L3", Side: implant.Left}),
		demoPart("a-r", "sys-1", implant.Lead, tb, "TB-L60", implant.Site{Region: codes.LumbarBack, Level: "L4", Side: implant.Right}),
		demoPart("b-g", "sys-2", implant.Generator, mv, "MV-900", implant.Site{Pocket: codes.Flank}),
		demoPart("b-l", "sys-2", implant.Lead, mv, "MV-P60", implant.Site{Tip: "T8"}),
	}}
}

func examOf(region string) Exam { return Exam{Regions: []ExamRegion{RegionPlan(region)}} }

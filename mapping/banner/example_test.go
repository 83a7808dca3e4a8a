package banner_test

import (
	"fmt"
	"strings"

	"gaussline/mapping/banner"
	"gaussline/mapping/implant"
	"gaussline/mapping/mri"
)

func ExamplePlain() {
	n := banner.Note{Revision: 1,
		Verdict: mri.Verdict{Kind: mri.KindNothing, AsOf: "2026-06-01T09:00:00Z", Cautions: []string{mri.CautionNoRecord, mri.CautionRescreen},
			Exam: mri.Exam{Regions: []mri.ExamRegion{{Region: "brain"}}}}}
	fmt.Print(banner.Plain(n))
	// Output:
	// NOTHING RECORDED AS IN PLACE: THAT DOES NOT MEAN NOTHING IS IMPLANTED
	// No component in place is on record. Screening decides, not this record.
	// For MR of: brain. As of 2026-06-01 09:00:00 UTC.
	// Cautions:
	// - No record is not proof that there is no device.
	// - Screen the patient again just before entry, whatever the record says.
}

func ExamplePartLine() {
	fmt.Println(banner.PartLine(implant.Part{State: implant.Capped, Implanted: "2022-09", Since: "2025-11-10T10:00:00Z",
		Site:      implant.Site{Side: implant.Left, Region: "lumbar-spine", Level: "L3"},
		Component: implant.Component{Kind: implant.Lead, Maker: "Tarnbeck Devices", Model: "TB-L45", Serial: "CL1"}}))
	// Output:
	// Lead Tarnbeck Devices TB-L45, serial CL1, left lumbar spine, level L3, in place, CAPPED, implanted 2022-09, since 2025-11-10
}

func ExampleReasonText() {
	rec := implant.Record{Parts: []implant.Part{{ID: "part-1", Component: implant.Component{Kind: implant.Generator, Model: "MV-400"}}}}
	fmt.Println(banner.ReasonText(mri.Reason{Code: mri.WhyUnsafe, Part: "part-1", Args: []string{"record"}}, rec))
	// Output:
	// Pulse generator MV-400 is labelled MR Unsafe (source: record).
}

func ExampleChanges() {
	before := mri.Verdict{Kind: mri.KindNothing}
	now := mri.Verdict{Kind: mri.KindNotEstablished, Reasons: []mri.Reason{{Code: mri.WhyRegionUnknown}}}
	fmt.Println(strings.Join(banner.Changes(banner.Shown{Verdict: before}, now, implant.Record{}), "\n"))
	// Output:
	// verdict was "Nothing recorded as in place: that does NOT mean nothing is implanted", is "MR status NOT ESTABLISHED: implant present or possible"
	// new: The order does not say which region is to be examined.
}

package codes

import (
	_ "embed"
	"strings"

	"gaussline/mapping/implant"
)

// Modality is the kind of imaging, by its DICOM code where there is one.
type Modality string

// Modalities that a code can name. NotImaging is a code known to be about something other than imaging;
// AnyImaging one known to be imaging without a modality.
const (
	MR           Modality = "MR"
	CT           Modality = "CT"
	XRay         Modality = "XR"
	Fluoroscopy  Modality = "FL"
	Ultrasound   Modality = "US"
	Mammography  Modality = "MG"
	PET          Modality = "PT"
	Nuclear      Modality = "NM"
	BoneDensity  Modality = "BD"
	OtherKnown   Modality = "OT" // known, and neither MR nor one of the above
	AnyImaging   Modality = "imaging"
	NotImaging   Modality = "not imaging"
	UnknownModal Modality = ""
)

//go:embed loinc_modality.tsv
var loincTSV string

type loincEntry struct {
	modality Modality
	name     string
}

// loinc is made once from the embedded table and never written again.
var loinc = readLOINC(loincTSV)

func readLOINC(tsv string) map[string]loincEntry {
	m := make(map[string]loincEntry, 6000)
	for line := range strings.Lines(tsv) {
		if strings.HasPrefix(line, "#") {
			continue
		}
		code, rest, _ := strings.Cut(strings.TrimSuffix(line, "\n"), "\t")
		modality, name, _ := strings.Cut(rest, "\t")
		m[code] = loincEntry{Modality(modality), name}
	}
	return m
}

// LOINCName gives the name of an imaging code of LOINC in the older style of our source.
func LOINCName(code string) (string, bool) {
	e, ok := loinc[strings.TrimSpace(code)]
	return e.name, ok
}

// LOINCValid says whether a code has the shape and the check digit (mod 10, Luhn) of a LOINC code. Source: facts,
// LOINC; all 6,401 codes of the official value set pass.
func LOINCValid(code string) bool {
	digits, check, ok := strings.Cut(code, "-")
	if !ok || len(check) != 1 || len(digits) == 0 || len(digits) > 7 || check[0] < '0' || check[0] > '9' {
		return false
	}
	sum := 0
	for i := range len(digits) {
		d := int(digits[len(digits)-1-i]) - '0'
		if d < 0 || d > 9 {
			return false
		}
		if i%2 == 0 {
			if d *= 2; d > 9 {
				d -= 9
			}
		}
		sum += d
	}
	return (10-sum%10)%10 == int(check[0]-'0')
}

// Source: GPS, all its MR procedures and the MR service; 303653007 from FHIR R4 ServiceRequest-example.json; the
// categories from FHIR R4 ValueSet-servicerequest-category.json.
var snomedModality = map[string]Modality{
	"113091000": MR, "241615005": MR, "241620005": MR, "241663008": MR, "258177008": MR,
	"277592004": MR, "426252008": MR, "431609005": MR, "433139009": MR, "446315002": MR,
	"310127009": MR, // MRI service
	"303653007": CT, // computed tomography of head
	"363679005": AnyImaging,
	"108252007": NotImaging, "409063005": NotImaging, "409073007": NotImaging, // 387713003, surgical procedure, is left out: some are done under MR
}

// Source: FHIR R4 CodeSystem-dicom-dcim.json. MA and MS are MR angiography and MR spectroscopy (retired).
var dicomModality = map[string]Modality{
	"MR": MR, "MA": MR, "MS": MR, "CT": CT, "DX": XRay, "CR": XRay, "RG": XRay, "PX": XRay, "IO": XRay, "XA": XRay,
	"DS": XRay, "RF": Fluoroscopy, "CF": Fluoroscopy, "DF": Fluoroscopy, "VF": Fluoroscopy, "US": Ultrasound,
	"IVUS": Ultrasound, "BDUS": Ultrasound, "EC": Ultrasound, "DD": Ultrasound, "CD": Ultrasound, "MG": Mammography,
	"PT": PET, "NM": Nuclear, "ST": Nuclear, "BMD": BoneDensity, "OCT": OtherKnown, "IVOCT": OtherKnown,
	"ES": OtherKnown, "ECG": OtherKnown, "OT": AnyImaging,
}

// Source: FHIR R4 CodeSystem-v2-0074.json. NMR is nuclear magnetic resonance.
var sectionModality = map[string]Modality{
	"NMR": MR, "CT": CT, "RX": XRay, "XRC": XRay, "RUS": Ultrasound, "OUS": Ultrasound, "VUS": Ultrasound,
	"CUS": Ultrasound, "NMS": Nuclear, "RAD": AnyImaging, "IMG": AnyImaging, "OTH": UnknownModal, "PHY": UnknownModal,
}

var sectionsNotImaging = map[string]bool{
	"AU": true, "BG": true, "BLB": true, "CG": true, "CH": true, "CP": true, "EC": true, "EN": true, "GE": true,
	"HM": true, "ICU": true, "IMM": true, "LAB": true, "MB": true, "MCB": true, "MYC": true, "NRS": true, "OSL": true,
	"OT": true, "PAR": true, "PAT": true, "PF": true, "PHR": true, "PT": true, "RC": true, "RT": true, "SP": true,
	"SR": true, "TX": true, "URN": true, "VR": true,
}

// ModalityOf gives the imaging modality that a code names; ok is false for a code we do not know.
func ModalityOf(c implant.Code) (m Modality, ok bool) {
	system, code := key(c)
	switch system {
	case LOINC:
		e, found := loinc[code]
		return e.modality, found
	case SNOMED:
		m, ok = snomedModality[code]
	case DICOM:
		m, ok = dicomModality[strings.ToUpper(code)]
	case V2Section:
		if sectionsNotImaging[strings.ToUpper(code)] {
			return NotImaging, true
		}
		m, ok = sectionModality[strings.ToUpper(code)]
	default:
		if strings.Contains(strings.ToLower(system), "radlex") {
			return AnyImaging, true // a playbook id: imaging, the modality is in text
		}
	}
	return m, ok && m != UnknownModal
}

package mri

import (
	"strings"

	"gaussline/mapping/codes"
	"gaussline/mapping/implant"
)

// loincRegions gives the regions of MR codes. Source: FHIR R4 ValueSet-c80-doc-typecodes.json, names as
// listed there. Vessels of a region are imaged with the isocentre there.
var loincRegions = map[string][]string{
	"24590-2": {codes.Brain}, "30657-1": {codes.Brain}, "24589-4": {codes.Brain}, "24587-8": {codes.Brain},
	"24935-9": {codes.CervicalBack}, "30667-0": {codes.CervicalBack}, "24938-3": {codes.CervicalBack}, "24937-5": {codes.CervicalBack},
	"24980-5": {codes.ThoracicBack}, "36532-0": {codes.ThoracicBack}, "24982-1": {codes.ThoracicBack}, "24981-3": {codes.ThoracicBack},
	"24968-0": {codes.LumbarBack}, "30679-5": {codes.LumbarBack}, "30678-7": {codes.LumbarBack}, "24967-2": {codes.LumbarBack},
	"30854-4": {codes.CervicalBack, codes.ThoracicBack, codes.LumbarBack},
	"24867-4": {codes.Pelvis}, "30673-8": {codes.Pelvis}, "36237-6": {codes.Pelvis}, "30674-6": {codes.Pelvis}, "30675-3": {codes.Pelvis},
	"24556-3": {codes.Abdomen}, "30668-8": {codes.Abdomen}, "36134-5": {codes.Abdomen}, "24557-1": {codes.Abdomen}, "36046-1": {codes.Abdomen},
	"24905-2": {codes.Shoulder}, "30693-6": {codes.Shoulder}, "24906-0": {codes.Shoulder}, "26268-3": {codes.Shoulder}, "26270-9": {codes.Shoulder},
	"24802-1": {codes.Knee}, "30691-0": {codes.Knee}, "36223-6": {codes.Knee}, "24803-9": {codes.Knee}, "26257-6": {codes.Knee},
	"26258-4": {codes.Knee}, "36508-0": {codes.Knee},
	"36013-1": {codes.Hip}, "30687-8": {codes.Hip}, "30688-6": {codes.Hip}, "36020-6": {codes.Hip}, "36022-2": {codes.Hip},
	"30794-2": {codes.Breast}, "30795-9": {codes.Breast}, "36277-2": {codes.Breast},
	"24748-6": {codes.Heart}, "36482-8": {codes.Heart}, "36197-2": {codes.Heart}, "36357-2": {codes.Heart}, "36009-9": {codes.Heart},
	"24629-8": {codes.Chest}, "24660-3": {codes.Chest},
	"35990-1": {codes.Abdomen, codes.Pelvis}, // fetal
	"46358-8": {codes.WholeBody},
	"30856-9": {codes.Head}, "36881-1": {codes.Head}, "24593-6": {codes.Head}, "36857-1": {codes.Head}, "37235-9": {codes.Brain},
	"36085-9": {codes.Neck}, "24844-3": {codes.Neck},
	"30868-4": {codes.Abdomen}, "24533-2": {codes.Abdomen},
	"30874-2": {codes.Pelvis, codes.LowerLimb}, // a run-off study begins at the pelvis: common practice, no source
	"36936-3": {codes.Brain},
}

// snomedRegions gives the regions of the MR procedures of the SNOMED CT Global Patient Set (GPS) that
// have one; 113091000, 241663008 (vessels), 258177008 and 277592004 (guidance) have none.
var snomedRegions = map[string][]string{
	"241615005": {codes.Breast}, "241620005": {codes.Heart}, "431609005": {codes.Heart},
	"426252008": {codes.WholeBody}, "433139009": {codes.Knee}, "446315002": {codes.Pelvis},
}

func codeRegions(c implant.Code) []string {
	switch codes.System(c.System) {
	case codes.LOINC:
		return loincRegions[strings.TrimSpace(c.Code)]
	case codes.SNOMED:
		return snomedRegions[strings.TrimSpace(c.Code)]
	}
	return nil
}

// foreignWords are words for regions in German, French, Spanish and Italian orders, lower case; those that are
// spelt as in English are in package codes. From memory, common practice, no source.
var foreignWords = map[string]string{
	"schädel": codes.Head, "kopf": codes.Head, "gehirn": codes.Brain, "hirn": codes.Brain, "cerveau": codes.Brain,
	"crâne": codes.Head, "cerebro": codes.Brain, "cervello": codes.Brain, "encefalo": codes.Brain,
	"halswirbelsäule": codes.CervicalBack, "brustwirbelsäule": codes.ThoracicBack, "lendenwirbelsäule": codes.LumbarBack,
	"lombaire": codes.LumbarBack, "dorsale": codes.ThoracicBack, "cervicale": codes.CervicalBack,
	"wirbelsäule": codes.Spine, "rachis": codes.Spine, "columna": codes.Spine, "colonna": codes.Spine,
	"knie": codes.Knee, "genou": codes.Knee, "rodilla": codes.Knee, "ginocchio": codes.Knee,
	"schulter": codes.Shoulder, "épaule": codes.Shoulder, "hombro": codes.Shoulder, "spalla": codes.Shoulder,
	"hüfte": codes.Hip, "hanche": codes.Hip, "cadera": codes.Hip, "anca": codes.Hip,
	"becken": codes.Pelvis, "bassin": codes.Pelvis, "bacino": codes.Pelvis,
	"bauch": codes.Abdomen, "leber": codes.Abdomen, "foie": codes.Abdomen, "hígado": codes.Abdomen, "fegato": codes.Abdomen,
	"herz": codes.Heart, "coeur": codes.Heart, "cœur": codes.Heart, "corazón": codes.Heart, "cuore": codes.Heart,
	"sprunggelenk": codes.LowerLeg, "fuß": codes.LowerLeg, "cheville": codes.LowerLeg, "handgelenk": codes.UpperLimb,
	"ganzkörper": codes.WholeBody,
}

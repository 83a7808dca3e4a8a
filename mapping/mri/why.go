package mri

// Reason codes. Args are given in brackets.
const (
	WhyUnsafe            = "part-mr-unsafe"          // [source of the status: "record" or the document, model]
	WhyAbandoned         = "part-abandoned"          // [state, kind]: R2, R3
	WhyAbandonedRegion   = "abandoned-place-unknown" // [state, kind]: allowed in places, place not known
	WhyMaybeInPlace      = "part-maybe-in-place"     // [state]: reported removed or state unknown
	WhyUnidentified      = "part-unidentified"       // [what is missing: kind, maker or model]: R16
	WhyUnlabelled        = "part-unlabelled"         // [maker, model]: no label of the site names it
	WhyLabelStatus       = "part-label-status"       // [status]: a source states conflicting, silent or not evaluated
	WhyStatedSafe        = "stated-safe-not-used"    // [words]: a source's "MR Safe" is not used as a status
	WhyOldWords          = "old-words-not-used"      // [words]
	WhyNotFunctional     = "part-not-functional"     // [implant status]: R7, R8
	WhyIdentityConflict  = "identity-conflict"       // [model, device identifier]
	WhyKindConflict      = "kind-conflict"           // [kind on record, kind on label]
	WhyQuestion          = "question-open"           // [question code, detail]
	WhyMembership        = "system-membership"       // [number of power sources]: which parts make which system
	WhyNoSource          = "no-generator"            // conductors in place without a generator: R2
	WhyNotInCombination  = "not-in-combination"      // [kind, maker, model]: R1, R5
	WhyTooMany           = "too-many-parts"          // [kind or model, number, permitted]: R1
	WhyTooFew            = "too-few-parts"           // [kind or model, number, required]
	WhyLength            = "lead-length"             // [length on record or "", permitted]
	WhyPlace             = "part-place"              // [element, on record or "", permitted]: R6
	WhyStale             = "label-stale"             // [reviewed on]
	WhyEditions          = "label-editions-conflict" // [system ID]
	WhyLabelSilent       = "label-silent"            // [element]: silence is unknown, not unlimited
	WhyScannerUnknown    = "scanner-unknown"         // [element]: the scanner file does not say
	WhyScannerOutside    = "scanner-outside"         // [element, scanner's, permitted]
	WhyRegionUnknown     = "region-unknown"          // the exam's region is not known
	WhyRegionOutside     = "region-outside"          // [exam region]: R13
	WhyRegionPartly      = "region-partly"           // [exam region]: the isocentre may come into a zone
	WhyPartPlaceUnknown  = "part-place-unknown"      // where the part is, for a distance
	WhyHealing           = "healing-time"            // [from, until]: R12
	WhyImplantDate       = "implant-date-unknown"    // a healing time cannot be judged
	WhyCheckFailed       = "check-failed"            // [check code]: R7 to R11
	WhyOtherActiveBarred = "other-active-barred"     // the label bars other active implants
	WhyNoCommonCondition = "no-common-condition"     // [element]: the labels' sets do not intersect: 2.2
	WhyNoScanner         = "no-scanner"              // no scanner of the site is known
	WhyTooManyWays       = "too-many-ways"           // more combinations of condition sets than are tried
	WhyRemoved           = "all-removed"             // [number]: every part on record was removed whole
)

// Element codes of conditions: what a label states. Source of the list: the FDA guidance
// named in RULES.md; the single elements are from memory.
const (
	ElementField           = "field-strength"
	ElementMagnet          = "magnet"
	ElementNuclei          = "nuclei"
	ElementSpatialGradient = "spatial-gradient"
	ElementSlewRate        = "slew-rate"
	ElementDBDt            = "db-dt"
	ElementExcitation      = "excitation"
	ElementCoil            = "transmit-coil"
	ElementMode            = "operating-mode"
	ElementWholeBodySAR    = "whole-body-sar"
	ElementHeadSAR         = "head-sar"
	ElementPartialBodySAR  = "partial-body-sar"
	ElementB1Rms           = "b1-rms"
	ElementRF              = "rf-exposure" // any of the four above
	ElementScanTime        = "scan-time"
	ElementWait            = "wait"
	ElementSession         = "session-time"
	ElementRegion          = "scan-region"
	ElementDistance        = "isocentre-distance"
	ElementPosition        = "patient-position"
	ElementHealing         = "healing"
	ElementOtherActive     = "other-active"
	ElementAbandoned       = "abandoned-parts"
	ElementCombination     = "combination"
	ElementPlace           = "place"
	ElementStale           = "label-current"
)

// Check codes: what only the day can tell, or is done on the day.
const (
	CheckTherapyOff     = "therapy-off"
	CheckMRMode         = "mr-mode"          // R9
	CheckBattery        = "battery"          // R8
	CheckImpedance      = "impedance"        // R7
	CheckNoProgrammer   = "no-programmer"    // no programmer or charger near
	CheckAfebrile       = "afebrile"         // R10
	CheckHeatRegulation = "heat-regulation"  // R10
	CheckCanReport      = "can-report"       // R11
	CheckNoSedation     = "no-sedation"      // R11
	CheckNoBlankets     = "no-warm-blankets" //
	CheckMidline        = "clear-of-midline" // R6: the course of a lead, which no record tells; on a radiograph
	CheckRestore        = "restore-settings" // after: R9
	CheckFunction       = "check-function"   // after: R9
	CheckMRModeOff      = "mr-mode-off"      // after: R9
)

package opnote

import "gaussline/mapping/implant"

// Classes of phrase. All but the last are bits of a 64-bit mask.
const (
	classNone class = iota
	classPart
	classExternal
	classTool
	classPlace
	classAspect
	classAct
	classNeg
	classNegdet
	classUnable
	classAttempt
	classPseudoneg
	classGone
	classPlan
	classConsent
	classCond
	classHist
	classToday
	classFamily
	classOther
	classCopied
	classMaybe
	classProb
	classTerm
	classAux
	classHave
	classWhole
	classPartly
	classDose
	classNew
	classOld
	classOtherOne
	classPron
	classSep
	classPrep
	classOf
	classDet
	classAgent
	classInfin
	classDone
	classNum
	classSide
	classSidel
	classSideprone
	classRegion
	classNerveword
	classNerve
	classLevelcue
	classLevelword
	classTransit
	classReason
	classComplication
	classIdent
	classMakerword
	classScore
	classUsage
	classUnit
	classPerday
	classImpedance
	classImpval
	classFunc
	classMrold
	classStopped
	classSlip
	classHeading // last: it is used before there are items and needs no bit in their masks
)

// classByName is the first column of a lexicon row.
var classByName = map[string]class{
	"part":         classPart,
	"external":     classExternal,
	"tool":         classTool,
	"place":        classPlace,
	"aspect":       classAspect,
	"act":          classAct,
	"neg":          classNeg,
	"negdet":       classNegdet,
	"unable":       classUnable,
	"attempt":      classAttempt,
	"pseudoneg":    classPseudoneg,
	"gone":         classGone,
	"plan":         classPlan,
	"consent":      classConsent,
	"cond":         classCond,
	"hist":         classHist,
	"today":        classToday,
	"family":       classFamily,
	"other":        classOther,
	"copied":       classCopied,
	"maybe":        classMaybe,
	"prob":         classProb,
	"term":         classTerm,
	"aux":          classAux,
	"have":         classHave,
	"whole":        classWhole,
	"partly":       classPartly,
	"dose":         classDose,
	"new":          classNew,
	"old":          classOld,
	"other-one":    classOtherOne,
	"pron":         classPron,
	"sep":          classSep,
	"prep":         classPrep,
	"of":           classOf,
	"det":          classDet,
	"agent":        classAgent,
	"infin":        classInfin,
	"done":         classDone,
	"num":          classNum,
	"side":         classSide,
	"sidel":        classSidel,
	"sideprone":    classSideprone,
	"region":       classRegion,
	"nerveword":    classNerveword,
	"nerve":        classNerve,
	"levelcue":     classLevelcue,
	"levelword":    classLevelword,
	"transit":      classTransit,
	"heading":      classHeading,
	"reason":       classReason,
	"complication": classComplication,
	"ident":        classIdent,
	"makerword":    classMakerword,
	"score":        classScore,
	"usage":        classUsage,
	"unit":         classUnit,
	"perday":       classPerday,
	"impedance":    classImpedance,
	"impval":       classImpval,
	"func":         classFunc,
	"mrold":        classMrold,
	"stopped":      classStopped,
	"slip":         classSlip,
}

// actKinds is what an act makes of the part it is done to, when nothing else is said. An empty kind is decided by
// the rules in emit.go.
var actKinds = map[string]implant.FactKind{
	"implant":     implant.Implanted,
	"advance":     implant.Implanted,
	"tunnel":      implant.Implanted,
	"connect":     implant.Reconnected,
	"secure":      implant.PresentByWord,
	"remove":      implant.Removed,
	"withdraw":    implant.Repositioned,
	"cap":         implant.WasCapped,
	"cut":         implant.WasCut,
	"leave":       implant.LeftInPlace,
	"abandonpart": implant.LeftInPlace,
	"disconnect":  implant.Disconnected,
	"replace":     implant.Exchanged,
	"reposition":  implant.Repositioned,
	"adjust":      implant.Adjusted,
	"check":       implant.PresentByWord,
	"waste":       implant.Wasted,
	"discard":     "",
	"use":         "",
	"break":       "",
	"seek":        "",
	"free":        implant.PresentByWord,
	"touch":       implant.PresentByWord,
	"see":         implant.PresentByWord,
	"deliver":     implant.PresentByWord,
	"out":         implant.Removed,
	"in":          implant.Implanted,
}

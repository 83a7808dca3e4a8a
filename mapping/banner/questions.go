package banner

import "gaussline/mapping/implant"

// questions are the sentences for what a careful reader would ask.
var questions = map[implant.QuestionCode]string{
	implant.AskNoteUnread:        "A procedure note or report has not been read.",
	implant.AskNoteUnreviewed:    "A note was read by rule only; no person has reviewed it.",
	implant.AskMessageUnread:     "A message about this patient could not be read.",
	implant.AskDeviceMissing:     "A device is referred to that was never described.",
	implant.AskPatientMissing:    "The patient of this order was never described, so that records under other numbers cannot be found.",
	implant.AskActionMissing:     "A procedure names a device without saying what was done to it.",
	implant.AskActionAmbiguous:   "A replacement is recorded: is this the old part or the new one?",
	implant.AskRemovalDoubtful:   "A part is reported removed; nobody says it came out whole.",
	implant.AskStatesConflict:    "Sources disagree on what became of a part.",
	implant.AskOrderUnknown:      "Which came first, implantation or removal, is not known.",
	implant.AskDateMissing:       "A date is missing.",
	implant.AskDateDoubtful:      "A date is doubtful.",
	implant.AskSideConflict:      "Sources disagree on the side.",
	implant.AskLevelConflict:     "Sources disagree on the level.",
	implant.AskIdentityConflict:  "Sources disagree on model, serial, lot or identifier.",
	implant.AskIdentityUnknown:   "A part has no model and no identifier.",
	implant.AskIdentityDoubtful:  "A device identifier fails its check.",
	implant.AskLabelConflict:     "Sources state different MR statuses.",
	implant.AskLabelOldWords:     "A source uses old or loose MR wording.",
	implant.AskVersionsUnordered: "Two versions of one source differ and nothing says which is newer.",
	implant.AskSourcesMerged:     "Records joined as one patient disagree on who that is.",
	implant.AskCountConflict:     "Sources disagree on how many parts there are.",
	implant.AskPartUnmatched:     "Something was done to a part, and which part is not clear.",
	implant.AskDictation:         "A word looks like a slip of dictation.",
	implant.AskCodeUnknown:       "A code is not understood.",
	implant.AskOrdered:           "An implant is ordered; whether it was put in is not recorded.",
	implant.AskToldElsewhere:     "A resource of a kind that is not read speaks of an implant.",
	implant.AskStillListed:       "An undated problem-list entry, recorded before the removal, still names an implant.",
	implant.AskNotDone:           "A procedure that concerns devices was not finished.",
	implant.AskWordsConflict:     "A note contradicts itself.",
	implant.AskDeviceElsewhere:   "The same device is on the record of another patient: a wrong chart, two records of one person, or a device used twice.",
}

// QuestionText gives the sentence for a question code.
func QuestionText(code implant.QuestionCode) string {
	if q, ok := questions[code]; ok {
		return q
	}
	return string(code)
}

package udi

// rule is what a value must satisfy beyond length and characters.
type rule int

const (
	noRule     rule = iota
	checkDigit      // last digit is a mod-10 check digit
	dateDay0        // YYMMDD, day 00 allowed
	dateDay         // begins with YYMMDD, day 00 not allowed
)

// ai is a run of application identifiers of one length with the same content.
type ai struct {
	from, to string
	numeric  bool
	min, max int // characters
	rule     rule
}

// lookupAI finds the application identifier that begins s. No identifier is the beginning of another.
func lookupAI(s string) (id string, def ai, ok bool) {
	for n := 2; n <= 4 && n <= len(s); n++ {
		id = s[:n]
		for _, def := range ais {
			if len(def.from) == n && def.from <= id && id <= def.to {
				return id, def, true
			}
		}
	}
	return "", ai{}, false
}

// predefined says whether the element string has a predefined length, so that no FNC1 need follow: decided by
// the first two digits (GS1 General Specifications figure 7.8.5-2).
func predefined(id string) bool {
	switch id[:2] {
	case "00", "01", "02", "03", "04", "11", "12", "13", "14", "15", "16", "17", "18", "19", "20",
		"31", "32", "33", "34", "35", "36", "41":
		return true
	}
	return false
}

// ais is the table of the GS1 Barcode Syntax Dictionary (Apache-2.0, GS1 AISBL), cut to length, character class
// and the rules above; taken from the copy in bwip-js 4.11.4 (BWIPP 2026-05-28, MIT). Values made of several
// parts count as one; the narrower character set of 8010 and 8030 is not told apart.
var ais = []ai{
	{"00", "00", true, 18, 18, checkDigit},
	{"01", "03", true, 14, 14, checkDigit},
	{"10", "10", false, 1, 20, noRule},
	{"11", "13", true, 6, 6, dateDay0},
	{"15", "17", true, 6, 6, dateDay0},
	{"20", "20", true, 2, 2, noRule},
	{"21", "22", false, 1, 20, noRule},
	{"235", "235", false, 1, 28, noRule},
	{"240", "241", false, 1, 30, noRule},
	{"242", "242", true, 1, 6, noRule},
	{"243", "243", false, 1, 20, noRule},
	{"250", "251", false, 1, 30, noRule},
	{"253", "253", false, 13, 30, noRule},
	{"254", "254", false, 1, 20, noRule},
	{"255", "255", true, 13, 25, noRule},
	{"30", "30", true, 1, 8, noRule},
	{"3100", "3105", true, 6, 6, noRule},
	{"3110", "3115", true, 6, 6, noRule},
	{"3120", "3125", true, 6, 6, noRule},
	{"3130", "3135", true, 6, 6, noRule},
	{"3140", "3145", true, 6, 6, noRule},
	{"3150", "3155", true, 6, 6, noRule},
	{"3160", "3165", true, 6, 6, noRule},
	{"3200", "3205", true, 6, 6, noRule},
	{"3210", "3215", true, 6, 6, noRule},
	{"3220", "3225", true, 6, 6, noRule},
	{"3230", "3235", true, 6, 6, noRule},
	{"3240", "3245", true, 6, 6, noRule},
	{"3250", "3255", true, 6, 6, noRule},
	{"3260", "3265", true, 6, 6, noRule},
	{"3270", "3275", true, 6, 6, noRule},
	{"3280", "3285", true, 6, 6, noRule},
	{"3290", "3295", true, 6, 6, noRule},
	{"3300", "3305", true, 6, 6, noRule},
	{"3310", "3315", true, 6, 6, noRule},
	{"3320", "3325", true, 6, 6, noRule},
	{"3330", "3335", true, 6, 6, noRule},
	{"3340", "3345", true, 6, 6, noRule},
	{"3350", "3355", true, 6, 6, noRule},
	{"3360", "3365", true, 6, 6, noRule},
	{"3370", "3375", true, 6, 6, noRule},
	{"3400", "3405", true, 6, 6, noRule},
	{"3410", "3415", true, 6, 6, noRule},
	{"3420", "3425", true, 6, 6, noRule},
	{"3430", "3435", true, 6, 6, noRule},
	{"3440", "3445", true, 6, 6, noRule},
	{"3450", "3455", true, 6, 6, noRule},
	{"3460", "3465", true, 6, 6, noRule},
	{"3470", "3475", true, 6, 6, noRule},
	{"3480", "3485", true, 6, 6, noRule},
	{"3490", "3495", true, 6, 6, noRule},
	{"3500", "3505", true, 6, 6, noRule},
	{"3510", "3515", true, 6, 6, noRule},
	{"3520", "3525", true, 6, 6, noRule},
	{"3530", "3535", true, 6, 6, noRule},
	{"3540", "3545", true, 6, 6, noRule},
	{"3550", "3555", true, 6, 6, noRule},
	{"3560", "3565", true, 6, 6, noRule},
	{"3570", "3575", true, 6, 6, noRule},
	{"3600", "3605", true, 6, 6, noRule},
	{"3610", "3615", true, 6, 6, noRule},
	{"3620", "3625", true, 6, 6, noRule},
	{"3630", "3635", true, 6, 6, noRule},
	{"3640", "3645", true, 6, 6, noRule},
	{"3650", "3655", true, 6, 6, noRule},
	{"3660", "3665", true, 6, 6, noRule},
	{"3670", "3675", true, 6, 6, noRule},
	{"3680", "3685", true, 6, 6, noRule},
	{"3690", "3695", true, 6, 6, noRule},
	{"37", "37", true, 1, 8, noRule},
	{"3900", "3909", true, 1, 15, noRule},
	{"3910", "3919", true, 4, 18, noRule},
	{"3920", "3929", true, 1, 15, noRule},
	{"3930", "3939", true, 4, 18, noRule},
	{"3940", "3943", true, 4, 4, noRule},
	{"3950", "3955", true, 6, 6, noRule},
	{"400", "401", false, 1, 30, noRule},
	{"402", "402", true, 17, 17, checkDigit},
	{"403", "403", false, 1, 30, noRule},
	{"410", "417", true, 13, 13, checkDigit},
	{"420", "420", false, 1, 20, noRule},
	{"421", "421", false, 4, 12, noRule},
	{"422", "422", true, 3, 3, noRule},
	{"423", "423", true, 3, 15, noRule},
	{"424", "424", true, 3, 3, noRule},
	{"425", "425", true, 3, 15, noRule},
	{"426", "426", true, 3, 3, noRule},
	{"427", "427", false, 1, 3, noRule},
	{"4300", "4301", false, 1, 35, noRule},
	{"4302", "4306", false, 1, 70, noRule},
	{"4307", "4307", false, 2, 2, noRule},
	{"4308", "4308", false, 1, 30, noRule},
	{"4309", "4309", true, 20, 20, noRule},
	{"4310", "4311", false, 1, 35, noRule},
	{"4312", "4316", false, 1, 70, noRule},
	{"4317", "4317", false, 2, 2, noRule},
	{"4318", "4318", false, 1, 20, noRule},
	{"4319", "4319", false, 1, 30, noRule},
	{"4320", "4320", false, 1, 35, noRule},
	{"4321", "4323", true, 1, 1, noRule},
	{"4324", "4325", true, 10, 10, dateDay0},
	{"4326", "4326", true, 6, 6, dateDay},
	{"4330", "4333", false, 6, 7, noRule},
	{"7001", "7001", true, 13, 13, noRule},
	{"7002", "7002", false, 1, 30, noRule},
	{"7003", "7003", true, 10, 10, dateDay},
	{"7004", "7004", true, 1, 4, noRule},
	{"7005", "7005", false, 1, 12, noRule},
	{"7006", "7006", true, 6, 6, dateDay},
	{"7007", "7007", true, 6, 12, dateDay},
	{"7008", "7008", false, 1, 3, noRule},
	{"7009", "7009", false, 1, 10, noRule},
	{"7010", "7010", false, 1, 2, noRule},
	{"7011", "7011", true, 6, 10, dateDay},
	{"7020", "7022", false, 1, 20, noRule},
	{"7023", "7023", false, 1, 30, noRule},
	{"7030", "7039", false, 4, 30, noRule},
	{"7040", "7040", false, 4, 4, noRule},
	{"7041", "7041", false, 1, 4, noRule},
	{"710", "717", false, 1, 20, noRule},
	{"7230", "7239", false, 3, 30, noRule},
	{"7240", "7240", false, 1, 20, noRule},
	{"7241", "7241", true, 2, 2, noRule},
	{"7242", "7242", false, 1, 25, noRule},
	{"7250", "7250", true, 8, 8, noRule},
	{"7251", "7251", true, 12, 12, noRule},
	{"7252", "7252", true, 1, 1, noRule},
	{"7253", "7254", false, 1, 40, noRule},
	{"7255", "7255", false, 1, 10, noRule},
	{"7256", "7256", false, 1, 90, noRule},
	{"7257", "7257", false, 1, 70, noRule},
	{"7258", "7258", false, 3, 3, noRule},
	{"7259", "7259", false, 1, 40, noRule},
	{"8001", "8001", true, 14, 14, noRule},
	{"8002", "8002", false, 1, 20, noRule},
	{"8003", "8003", false, 14, 30, noRule},
	{"8004", "8004", false, 1, 30, noRule},
	{"8005", "8005", true, 6, 6, noRule},
	{"8006", "8006", true, 18, 18, noRule},
	{"8007", "8007", false, 1, 34, noRule},
	{"8008", "8008", true, 8, 12, dateDay},
	{"8009", "8009", false, 1, 50, noRule},
	{"8010", "8010", false, 1, 30, noRule},
	{"8011", "8011", true, 1, 12, noRule},
	{"8012", "8012", false, 1, 20, noRule},
	{"8013", "8014", false, 1, 25, noRule},
	{"8017", "8018", true, 18, 18, checkDigit},
	{"8019", "8019", true, 1, 10, noRule},
	{"8020", "8020", false, 1, 25, noRule},
	{"8026", "8026", true, 18, 18, noRule},
	{"8030", "8030", false, 1, 90, noRule},
	{"8040", "8041", true, 15, 15, noRule},
	{"8042", "8042", true, 32, 32, noRule},
	{"8043", "8043", true, 18, 20, noRule},
	{"8110", "8110", false, 1, 70, noRule},
	{"8111", "8111", true, 4, 4, noRule},
	{"8112", "8112", false, 1, 70, noRule},
	{"8200", "8200", false, 1, 70, noRule},
	{"90", "90", false, 1, 30, noRule},
	{"91", "99", false, 1, 90, noRule},
}

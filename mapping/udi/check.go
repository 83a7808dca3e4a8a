package udi

import "strings"

func isDigit(c byte) bool      { return c >= '0' && c <= '9' }
func isUpper(c byte) bool      { return c >= 'A' && c <= 'Z' }
func isUpperAlnum(c byte) bool { return isDigit(c) || isUpper(c) }
func isAlnum(c byte) bool      { return isUpperAlnum(c) || c >= 'a' && c <= 'z' }

// isCSET82 is GS1 AI encodable character set 82: lower case and brackets are in it, space is not.
func isCSET82(c byte) bool {
	return isAlnum(c) || c != 0 && strings.IndexByte("!\"%&'()*+,-./:;<=>?_", c) >= 0
}

func allIn(s string, in func(byte) bool) bool {
	for i := range len(s) {
		if !in(s[i]) {
			return false
		}
	}
	return true
}

// mod10 is the GS1 check digit of a body of digits: weights 3, 1, 3, ... from the right.
func mod10(body string) byte {
	sum, w := 0, 3
	for i := len(body) - 1; i >= 0; i-- {
		sum += w * int(body[i]-'0')
		w = 4 - w
	}
	return byte('0' + (10-sum%10)%10)
}

// hibcChars in the order of their values, ANSI/HIBC 2.6 appendix B.
const hibcChars = "0123456789ABCDEFGHIJKLMNOPQRSTUVWXYZ-. $/+%"

// mod43 is the HIBCC check character of s, the leading '+' included. Characters outside the set have no value;
// ok is then false.
func mod43(s string) (c byte, ok bool) {
	sum := 0
	for i := range len(s) {
		v := strings.IndexByte(hibcChars, s[i])
		if v < 0 {
			return 0, false
		}
		sum += v
	}
	return hibcChars[sum%43], true
}

// mod97 is the IFA check of a PPN body: ASCII values weighted 2, 3, 4, ... modulo 97, two digits.
func mod97(body string) string {
	sum := 0
	for i := range len(body) {
		sum += (i + 2) * int(body[i])
	}
	sum %= 97
	return string([]byte{byte('0' + sum/10), byte('0' + sum%10)})
}

// dinChars in the order of their values, ISO/IEC 7064 mod 37-2.
const dinChars = "0123456789ABCDEFGHIJKLMNOPQRSTUVWXYZ*"

// DINCheck is the keyboard check character of a 13-character donation identification number. It is printed beside the
// number and is not in the barcode, whose flags may hold its value. It is 0 when din has other characters.
func DINCheck(din string) byte {
	if !allIn(din, isUpperAlnum) {
		return 0
	}
	return dinChars[dinCheckValue(din)]
}

// dinCheckValue is the value of the check character, 0 to 36, of digits and upper case letters.
func dinCheckValue(din string) int {
	sum := 0
	for i := range len(din) {
		sum = (sum + strings.IndexByte(dinChars, din[i])) * 2 % 37
	}
	return (38 - sum) % 37
}

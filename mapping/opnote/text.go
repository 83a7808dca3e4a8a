package opnote

import (
	"bytes"
	"errors"
	"fmt"
	"mime"
	"strings"
	"unicode/utf8"

	"golang.org/x/text/encoding"
	"golang.org/x/text/encoding/charmap"
	"golang.org/x/text/encoding/htmlindex"
	"golang.org/x/text/encoding/unicode"
)

// Errors of [Text]. Each leaves the note unread, which is an open question on the record, never silence.
var (
	// ErrPDF: the attachment is a PDF. No library in pure Go reads the text of PDFs well enough to rest a
	// removal on (order of columns, ligatures, scanned pages), so a person has to.
	ErrPDF = errors.New("a PDF is not read, a person has to")
	// ErrType: the attachment is of no type that holds prose, or its charset is not known.
	ErrType = errors.New("no type or charset of text that is read")
	// ErrTooLarge: over MaxAttachment, or its text over MaxText.
	ErrTooLarge = errors.New("too large to be read")
	// ErrMalformed: the document breaks its own format.
	ErrMalformed = errors.New("malformed document")
)

// MaxAttachment is the largest attachment taken, in bytes. Notes with embedded pictures reach a few MB.
const MaxAttachment = 16 << 20

// Text turns the bytes of an attachment into the plain text that [Read] takes. contentType is a MIME type, with
// or without charset; when it is empty or says only "bytes", the first bytes decide. It runs in time linear in
// len(data) and returns one of this package's errors, wrapped, when there is no text to be had.
func Text(contentType string, data []byte) (string, error) {
	if len(data) > MaxAttachment {
		return "", fmt.Errorf("%d bytes: %w", len(data), ErrTooLarge)
	}
	media, charset := mediaType(contentType)
	if sniffed := sniff(data); sniffed != "" && (media == "" || media == "application/octet-stream" || media == "text/plain" && sniffed != "text/html") {
		media = sniffed
	}
	var text string
	var err error
	switch media {
	case "application/pdf", "application/x-pdf":
		return "", ErrPDF
	case "text/rtf", "application/rtf", "application/x-rtf", "text/richtext":
		text, err = rtfText(data)
	case "text/html", "application/xhtml+xml":
		text, err = htmlText(data, charset, media != "text/html")
	case "", "text/plain", "text/markdown", "text/x-markdown", "application/octet-stream":
		text, err = plainText(data, charset)
	default:
		return "", fmt.Errorf("%q: %w", media, ErrType)
	}
	if err != nil {
		return "", err
	}
	if len(text) > MaxText {
		return "", fmt.Errorf("%d bytes of text: %w", len(text), ErrTooLarge)
	}
	return text, nil
}

// mediaType splits a content type, as far as it can be made out.
func mediaType(s string) (media, charset string) {
	media, params, err := mime.ParseMediaType(s)
	if err != nil {
		media, _, _ = strings.Cut(s, ";")
		media = strings.ToLower(strings.TrimSpace(media))
	}
	return media, params["charset"]
}

// sniff names the type that the first bytes prove, "" if they prove none.
func sniff(data []byte) string {
	d := bytes.TrimLeft(data[:min(len(data), 512)], "\ufeff \t\r\n")
	switch {
	case bytes.HasPrefix(d, []byte("%PDF-")):
		return "application/pdf"
	case bytes.HasPrefix(d, []byte(`{\rtf`)):
		return "text/rtf"
	}
	low := bytes.ToLower(d)
	if bytes.HasPrefix(low, []byte("<!doctype html")) || bytes.HasPrefix(low, []byte("<html")) {
		return "text/html"
	}
	return ""
}

// plainText decodes text. Without a charset it is UTF-8 if it is valid as such, else Windows-1252, which is what
// unlabelled European text mostly is.
func plainText(data []byte, charset string) (string, error) {
	enc, err := encodingOf(data, charset)
	if err != nil {
		return "", err
	}
	if enc != nil {
		if data, err = enc.NewDecoder().Bytes(data); err != nil {
			return "", fmt.Errorf("charset %q: %w", charset, ErrMalformed)
		}
	}
	data = bytes.TrimPrefix(data, []byte("\ufeff"))
	if bytes.IndexByte(data, 0) >= 0 {
		return "", fmt.Errorf("holds zero bytes: %w", ErrType)
	}
	return strings.ToValidUTF8(string(data), "\ufffd"), nil
}

// encodingOf gives the decoder to use, nil for UTF-8.
func encodingOf(data []byte, charset string) (encoding.Encoding, error) {
	switch {
	case bytes.HasPrefix(data, []byte{0xff, 0xfe}), bytes.HasPrefix(data, []byte{0xfe, 0xff}):
		return unicode.UTF16(unicode.BigEndian, unicode.UseBOM), nil
	case bytes.HasPrefix(data, []byte("\ufeff")):
		return nil, nil
	}
	switch name := strings.ToLower(strings.TrimSpace(charset)); name {
	case "":
		if utf8.Valid(data) {
			return nil, nil
		}
		return charmap.Windows1252, nil
	case "utf-8", "utf8":
		if utf8.Valid(data) {
			return nil, nil
		}
		return charmap.Windows1252, nil // mislabelled: a wrong umlaut is better than an unread note
	default:
		enc, err := htmlindex.Get(name)
		if err != nil {
			return nil, fmt.Errorf("charset %q: %w", charset, ErrType)
		}
		return enc, nil
	}
}

package v2

import (
	"bufio"
	"bytes"
	"errors"
	"io"
)

// MLLP frames a message as 0x0B + message + 0x1C 0x0D (HL7's minimal lower layer protocol, release 1).
const (
	startBlock = 0x0b
	endBlock   = 0x1c
)

// maxBetween is how much white space may stand between two frames.
const maxBetween = 64

var (
	errFraming  = errors.New("bytes outside of an MLLP frame")
	errTooLarge = errors.New("MLLP frame over the size limit")
)

// readStart waits for the beginning of a frame. Line ends before it, the CR of the frame before included, are
// passed over.
func readStart(r *bufio.Reader) error {
	for range maxBetween {
		c, err := r.ReadByte()
		switch {
		case err != nil:
			return err
		case c == startBlock:
			return nil
		case c != '\r' && c != '\n' && c != ' ':
			return errFraming
		}
	}
	return errFraming
}

// readBody reads up to the end of the frame that has begun. With errTooLarge it returns the first bytes, so that
// the header can be answered.
func readBody(r *bufio.Reader, limit int) ([]byte, error) {
	var body []byte
	for {
		part, err := r.ReadSlice(endBlock)
		body = append(body, part...)
		switch {
		case err == nil && len(body)-1 > limit, err == bufio.ErrBufferFull && len(body) > limit:
			return body[:limit], errTooLarge
		case err == bufio.ErrBufferFull:
			continue
		case errors.Is(err, io.EOF):
			return nil, io.ErrUnexpectedEOF
		case err != nil:
			return nil, err
		}
		body = body[:len(body)-1]
		if bytes.IndexByte(body, startBlock) >= 0 { // the frame before was cut and its rest runs into this one
			return body, errFraming
		}
		return body, nil
	}
}

func frame(body []byte) []byte {
	out := make([]byte, 0, len(body)+3)
	out = append(append(out, startBlock), body...)
	return append(out, endBlock, '\r')
}

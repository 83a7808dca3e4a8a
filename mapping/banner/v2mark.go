package banner

import (
	"crypto/sha256"
	"encoding/hex"
	"fmt"
	"strings"
)

// V2Mark is the alternate identifier of the verdict in OBX-5: how many NTE lines and alerts are ours, and a digest of all
// their words. An order that comes back with them is known by it: what matches is no news, what differs is somebody
// else's. Blanks do not count, since systems on the way even them out.
func V2Mark(code, headline string, lines, alerts []string) string {
	h := sha256.New()
	for _, s := range append(append([]string{code, headline}, lines...), alerts...) {
		_, _ = h.Write([]byte(strings.Join(strings.Fields(s), " ") + "\n"))
	}
	return fmt.Sprintf("note-%d-%d-%s", len(lines), len(alerts), hex.EncodeToString(h.Sum(nil)[:10]))
}

// V2Counts reads how many lines and alerts a mark speaks of.
func V2Counts(mark string) (lines, alerts int, ok bool) {
	digest := ""
	_, err := fmt.Sscanf(mark, "note-%d-%d-%s", &lines, &alerts, &digest)
	return lines, alerts, err == nil && lines >= 0 && alerts >= 0
}

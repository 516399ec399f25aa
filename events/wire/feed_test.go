package wire

import (
	"errors"
	"strings"
	"testing"
)

func TestCheckFeedFilter(t *testing.T) {
	for _, good := range []string{
		"feed.>", "feed.north-yard.>", "feed.north-yard.gs-1.>", "feed._.>", "feed.*.*.bath.>", "feed.*.gs-1.reading.taken", "feed.*.*.*.*", "feed.*.*.*.>",
	} {
		if err := CheckFeedFilter(good); err != nil {
			t.Errorf("%s: %v", good, err)
		}
	}
	for _, bad := range []string{
		"", ">", "*", "feed", "feed.", "feed.*", "feed.north-yard", "feed.north-yard.gs-1", "feed.a.b.c", "feed.a.b.c.d.e", "feed.a.b.c.d.>",
		"push.>", "*.a.>", "feed.>.a", "feed.>.>", "feed.a..>", "feed.a b.>", "feed.north*.>", "feed.a\x00.>", "feed.a\r\nb.>", "FEED.a.>", "feed.a.>x",
		"feed." + strings.Repeat("a", 65) + ".>",
	} {
		if err := CheckFeedFilter(bad); !errors.Is(err, ErrFilter) {
			t.Errorf("%q: %v", bad, err)
		}
	}
}

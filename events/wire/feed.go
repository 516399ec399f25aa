package wire

import (
	"errors"
	"fmt"
	"strings"

	"ullage/events"
)

// ErrFilter is in the error of CheckFeedFilter.
var ErrFilter = errors.New("not a part of the feed")

// CheckFeedFilter looks at what somebody would like to read of FEED: feed.<site>.<machine>.<noun>.<verb>, in which "_"
// stands for no site or machine, "*" for any one, and ">" at the end for all that follow. Its error wraps ErrFilter.
func CheckFeedFilter(filter string) error {
	tokens := strings.Split(filter, ".")
	last := len(tokens) - 1
	if len(tokens) > 5 || last < 1 || tokens[0] != "feed" || last < 4 && tokens[last] != ">" {
		return badFilter(filter)
	}
	for i, token := range tokens[1:] {
		if token == "*" || token == "_" || token == ">" && i == last-1 {
			continue
		}
		if err := events.CheckIdentifier(token); err != nil {
			return fmt.Errorf("%w: %w", badFilter(filter), err)
		}
	}
	return nil
}

func badFilter(filter string) error {
	return fmt.Errorf("%w: %.100q; feed.north-yard.> is all of one site, feed.*.*.bath.> all that happens to baths", ErrFilter, filter)
}

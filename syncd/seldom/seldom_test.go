package seldom

import (
	"testing"
	"testing/synctest"
	"time"
)

func TestSecond(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		var s Second
		for range 3 {
			let := 0
			for range 1000 {
				if s.Now() {
					let++
				}
			}
			if let != 1 {
				t.Errorf("%d of 1000 in a second", let)
			}
			time.Sleep(time.Second)
		}
	})
}

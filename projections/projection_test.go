package projections_test

import (
	"crypto/sha256"
	"encoding/json"
	"fmt"
	"math"
	"testing"

	"ullage/events"
	"ullage/projections"
)

func TestRestate(t *testing.T) {
	type list = []projections.Result
	commit := events.Hash{7}
	for _, c := range []struct {
		name     string
		old, new list
		want     string
	}{
		{"nothing before", nil, list{{"a", "1"}}, "[]"},
		{"the same", list{{"a", "1"}, {"b", "2"}}, list{{"a", "1"}, {"b", "2"}}, "[]"},
		{"changed", list{{"a", "1"}, {"b", "2"}}, list{{"a", "1"}, {"b", "3"}}, "[b 2>3]"},
		{"vanished", list{{"a", "1"}, {"b", "2"}}, list{{"b", "2"}}, "[a 1>]"},
		{"all vanished", list{{"a", "1"}}, nil, "[a 1>]"},
		{"new between", list{{"a", "1"}, {"c", "2"}}, list{{"a", "9"}, {"b", "8"}, {"c", "7"}}, "[a 1>9 c 2>7]"},
	} {
		var said []string
		for _, r := range projections.Restate("machine", "nw-01", commit, c.old, c.new) {
			said = append(said, fmt.Sprintf("%s %s>%s", r.What, r.Old, r.New))
			if r.Projection != "machine" || r.Key != "nw-01" || r.CausedBy != commit {
				t.Errorf("%s: %+v", c.name, r)
			}
			label := "ullage.restatement.1" + "\x00\x00\x00\x20" + string(commit[:]) + "\x00\x00\x00\x07machine\x00\x00\x00\x05nw-01\x00\x00\x00\x01" + r.What
			if want := events.Hash(sha256.Sum256([]byte(label))); r.ID != want {
				t.Errorf("%s: id %s, want %s", c.name, r.ID, want)
			}
		}
		if got := fmt.Sprint(said); got != c.want {
			t.Errorf("%s: %s; want %s", c.name, got, c.want)
		}
	}
}

func TestSortResults(t *testing.T) {
	got := projections.SortResults([]projections.Result{{"b", "1"}, {"a", "2"}, {"b", "3"}, {"a", "4"}})
	if fmt.Sprint(got) != "[{a 4} {b 3}]" {
		t.Errorf("%v", got)
	}
}

func TestAmounts(t *testing.T) {
	for _, c := range []struct {
		x    float64
		want string
	}{
		{0, "0"}, {math.Copysign(0, -1), "0"}, {-1e-9, "0"}, {180, "180"}, {0.1 + 0.2, "0.3"}, {1.0000005, "1.000001"}, {-2.5, "-2.5"},
		{1e-6, "0.000001"}, {1e20, "100000000000000000000"}, {math.Inf(1), "null"}, {math.NaN(), "null"},
	} {
		got, err := json.Marshal(projections.Amount(c.x))
		if err != nil || string(got) != c.want {
			t.Errorf("%g: %s, %v; want %s", c.x, got, err, c.want)
		}
	}
}

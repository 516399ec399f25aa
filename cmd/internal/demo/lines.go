package demo

import (
	"bufio"
	"bytes"
	"encoding/json"
	"fmt"
	"strings"
	"time"

	"ullage/testdata/demo"
)

// answer is what was said to a line with a key.
type answer struct {
	ID    string `json:"id"`
	Visit string `json:"visit"`
	Again bool   `json:"again"`
}

// lines are the entry lines of a step, ready to be given.
type lines struct {
	text     []byte
	keys     []string // of each line, empty where it has none
	from, to string   // the days on which they were done
}

// String counts the lines and says of which days they are.
func (l lines) String() string {
	switch {
	case l.from == "":
		return fmt.Sprintf("%d lines", len(l.keys))
	case l.from == l.to:
		return fmt.Sprintf("%d lines of %s", len(l.keys), dayOf(l.from))
	}
	return fmt.Sprintf("%d lines of %s to %s", len(l.keys), dayOf(l.from), dayOf(l.to))
}

// dayOf says the day of a time, as RFC 3339 or a date: 2 March.
func dayOf(s string) string {
	t, err := time.Parse(time.DateOnly, s[:min(len(s), len(time.DateOnly))])
	if err != nil {
		return s
	}
	return t.Format("2 January")
}

// read fills in what lines say of earlier ones: "key:<k>" is the visit of that answer under visit and since, and its
// id anywhere else.
func (p *play) read(file string) (l lines, err error) {
	b, err := demo.Files.ReadFile(file)
	if err != nil {
		return l, err
	}
	l, err = p.fillLines(b)
	if err != nil {
		err = fmt.Errorf("%s: %w", file, err)
	}
	return l, err
}

func (p *play) fillLines(b []byte) (l lines, err error) {
	var out bytes.Buffer
	in := bufio.NewScanner(bytes.NewReader(b))
	in.Buffer(nil, 1<<20)
	for n := 1; in.Scan(); n++ {
		if len(bytes.TrimSpace(in.Bytes())) == 0 {
			continue
		}
		d := json.NewDecoder(bytes.NewReader(in.Bytes()))
		d.UseNumber() // numbers stay as they are written
		var line map[string]any
		if err := d.Decode(&line); err != nil {
			return lines{}, fmt.Errorf("line %d: %w", n, err)
		}
		if _, err := p.fill("", line); err != nil {
			return lines{}, fmt.Errorf("line %d: %w", n, err)
		}
		key, _ := line["key"].(string)
		l.keys = append(l.keys, key)
		if done, _ := line["done"].(string); len(done) >= len(time.DateOnly) {
			day := done[:len(time.DateOnly)]
			if l.from == "" || day < l.from {
				l.from = day
			}
			l.to = max(l.to, day)
		}
		if err := json.NewEncoder(&out).Encode(line); err != nil {
			return lines{}, err
		}
	}
	l.text = out.Bytes()
	return l, in.Err()
}

func (p *play) fill(field string, v any) (any, error) {
	var err error
	switch v := v.(type) {
	case map[string]any:
		for k := range v {
			if v[k], err = p.fill(k, v[k]); err != nil {
				return nil, err
			}
		}
	case []any:
		for i := range v {
			if v[i], err = p.fill(field, v[i]); err != nil {
				return nil, err
			}
		}
	case string:
		key, ok := strings.CutPrefix(v, "key:")
		if !ok {
			return v, nil
		}
		a, ok := p.said[key]
		if !ok {
			return nil, fmt.Errorf("no earlier line has the key %q", key)
		}
		if field == "visit" || field == "since" {
			return a.Visit, nil
		}
		return a.ID, nil
	}
	return v, nil
}

// listen keeps the answers to lines with keys, and counts those that were there already.
func (p *play) listen(out []byte, keys []string) (again int, err error) {
	d := json.NewDecoder(bytes.NewReader(out))
	for _, key := range keys {
		var a answer
		if err := d.Decode(&a); err != nil {
			return again, fmt.Errorf("the answer to a line: %w", err)
		}
		if a.Again {
			again++
		} else {
			p.lines++
		}
		if key != "" {
			p.said[key] = a
		}
	}
	return again, nil
}

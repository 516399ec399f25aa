package entry

import (
	"strconv"
	"strings"
	"unicode/utf16"
	"unicode/utf8"
)

// node is one JSON value. The general decoders mend what they read (a repeated name, half a surrogate pair, broken
// UTF-8); a record is for ever, so here such a line is refused, and hence a parser of our own.
type node struct {
	is     kindOf
	text   string   // of a string, without its escapes; of a number, as it stands
	names  []string // of an object
	values []node   // of an object or a list
}

type kindOf string

const (
	isObject kindOf = "an object"
	isList   kindOf = "a list"
	isString kindOf = "a text"
	isNumber kindOf = "a number"
	isBool   kindOf = "true or false"
	isNull   kindOf = "null"
)

// shown is the value as an error shows it.
func (n *node) shown() string {
	switch n.is {
	case isString:
		return quote(n.text)
	case isObject:
		return "{…}"
	case isList:
		return "[…]"
	}
	return n.text
}

// member finds a member of an object; nil where there is none.
func (n *node) member(name string) *node {
	for i := range n.names {
		if n.names[i] == name {
			return &n.values[i]
		}
	}
	return nil
}

// isEmpty tells whether it is an empty text or list, which counts as not given.
func (n *node) isEmpty() bool {
	return n.is == isString && n.text == "" || n.is == isList && len(n.values) == 0
}

// at goes one step of a path, "tanks[2]"; nil where it does not lead on.
func (n *node) at(step string) *node {
	name, index, listed := strings.Cut(step, "[")
	if n != nil {
		n = n.member(name)
	}
	if !listed || n == nil {
		return n
	}
	i, err := strconv.Atoi(strings.TrimSuffix(index, "]"))
	if err != nil || i < 1 || i > len(n.values) {
		return nil
	}
	return &n.values[i-1]
}

// parser reads one JSON text.
type parser struct {
	s     string
	at    int
	depth int
}

// parse reads a whole line as one JSON value (RFC 8259). The error is a FieldError: its path is the field where a
// name is repeated, and the column, in bytes from 1, where the text is not JSON.
func parse(line []byte) (node, error) {
	p := parser{s: string(line)}
	if !utf8.ValidString(p.s) {
		for at, c := range p.s {
			if _, size := utf8.DecodeRuneInString(p.s[at:]); c == utf8.RuneError && size == 1 {
				p.at = at
				return node{}, p.fail("text must be UTF-8")
			}
		}
	}
	n, err := p.value()
	if err != nil {
		return node{}, err
	}
	if p.space(); p.at < len(p.s) {
		return node{}, p.fail("nothing may follow the object")
	}
	return n, nil
}

// fail is an error at the present place, with what stands there.
func (p *parser) fail(want string) error {
	rest := p.s[p.at:]
	if rest == "" {
		return bad("column "+strconv.Itoa(p.at+1), "the line ends", "%s", want)
	}
	if _, size := utf8.DecodeRuneInString(rest); size > 0 && len(rest) > 16 {
		for size < 16 {
			_, n := utf8.DecodeRuneInString(rest[size:])
			size += n
		}
		rest = rest[:size]
	}
	return bad("column "+strconv.Itoa(p.at+1), strconv.Quote(rest), "%s", want)
}

func (p *parser) space() {
	for p.at < len(p.s) && strings.IndexByte(" \t\r\n", p.s[p.at]) >= 0 {
		p.at++
	}
}

// take goes past c and the space before it, if c is what comes next.
func (p *parser) take(c byte) bool {
	p.space()
	if p.at < len(p.s) && p.s[p.at] == c {
		p.at++
		return true
	}
	return false
}

func (p *parser) value() (node, error) {
	p.space()
	if p.at == len(p.s) {
		return node{}, p.fail("a JSON value should stand here")
	}
	switch c := p.s[p.at]; {
	case c == '{' || c == '[':
		if p.depth++; p.depth > maxDepth {
			return node{}, p.fail("objects and lists may be nested at most " + strconv.Itoa(maxDepth) + " deep")
		}
		p.at++
		read := p.list
		if c == '{' {
			read = p.object
		}
		n, err := read()
		p.depth--
		return n, err
	case c == '"':
		text, err := p.str()
		return node{is: isString, text: text}, err
	case c == '-' || c >= '0' && c <= '9':
		return p.number()
	}
	for _, word := range [...]struct {
		text string
		is   kindOf
	}{{"true", isBool}, {"false", isBool}, {"null", isNull}} {
		if strings.HasPrefix(p.s[p.at:], word.text) {
			p.at += len(word.text)
			return node{is: word.is, text: word.text}, nil
		}
	}
	return node{}, p.fail("a JSON value should stand here")
}

func (p *parser) object() (node, error) {
	n := node{is: isObject}
	var seen map[string]bool // for objects too large to look through
	for first := true; !p.take('}'); first = false {
		if !first && !p.take(',') {
			return node{}, p.fail("',' or '}' should stand here")
		}
		if p.space(); p.at == len(p.s) || p.s[p.at] != '"' {
			return node{}, p.fail("a name in quotes should stand here")
		}
		name, err := p.str()
		if err != nil {
			return node{}, err
		}
		if !p.take(':') {
			return node{}, p.fail("':' should stand here")
		}
		v, err := p.value()
		if err != nil {
			return node{}, inside(named(name), err)
		}
		if len(n.names) == 16 {
			seen = map[string]bool{}
			for _, before := range n.names {
				seen[before] = true
			}
		}
		if seen[name] || seen == nil && n.member(name) != nil {
			return node{}, bad(named(name), v.shown(), "given twice in one object; give it once")
		}
		if seen != nil {
			seen[name] = true
		}
		n.names, n.values = append(n.names, name), append(n.values, v)
	}
	return n, nil
}

func (p *parser) list() (node, error) {
	n := node{is: isList}
	for first := true; !p.take(']'); first = false {
		if !first && !p.take(',') {
			return node{}, p.fail("',' or ']' should stand here")
		}
		v, err := p.value()
		if err != nil {
			return node{}, inside("["+strconv.Itoa(len(n.values)+1)+"]", err)
		}
		n.values = append(n.values, v)
	}
	return n, nil
}

// number reads a number without judging its size: what can be kept depends on the field.
func (p *parser) number() (node, error) {
	from := p.at
	digits := func() bool {
		start := p.at
		for p.at < len(p.s) && p.s[p.at] >= '0' && p.s[p.at] <= '9' {
			p.at++
		}
		return p.at > start
	}
	next := func(set string) bool {
		if p.at < len(p.s) && strings.IndexByte(set, p.s[p.at]) >= 0 {
			p.at++
			return true
		}
		return false
	}
	next("-")
	if !next("0") && !digits() {
		return node{}, p.fail("a digit should stand here")
	}
	if next(".") && !digits() {
		return node{}, p.fail("a digit should stand here")
	}
	if next("eE") {
		next("+-")
		if !digits() {
			return node{}, p.fail("a digit should stand here")
		}
	}
	return node{is: isNumber, text: p.s[from:p.at]}, nil
}

// str reads a string; the quote is the next byte.
func (p *parser) str() (string, error) {
	p.at++
	from := p.at
	for p.at < len(p.s) && p.s[p.at] != '"' && p.s[p.at] != '\\' && p.s[p.at] >= ' ' {
		p.at++
	}
	if p.at < len(p.s) && p.s[p.at] == '"' {
		p.at++
		return p.s[from : p.at-1], nil
	}
	b := []byte(p.s[from:p.at])
	for p.at < len(p.s) {
		switch c := p.s[p.at]; {
		case c == '"':
			p.at++
			return string(b), nil
		case c < ' ':
			return "", p.fail("a control character in a text is written as an escape, such as \\n")
		case c == '\\':
			r, err := p.escape()
			if err != nil {
				return "", err
			}
			b = utf8.AppendRune(b, r)
		default:
			b = append(b, c)
			p.at++
		}
	}
	return "", p.fail("the text's closing quote is missing")
}

const escapes, escaped = `"\/bfnrt`, "\"\\/\b\f\n\r\t"

// escape reads one escape, or two where they are the halves of one character.
func (p *parser) escape() (rune, error) {
	if p.at+1 < len(p.s) {
		if i := strings.IndexByte(escapes, p.s[p.at+1]); i >= 0 {
			p.at += 2
			return rune(escaped[i]), nil
		}
	}
	r, ok := p.hex(p.at)
	if !ok {
		return 0, p.fail(`no such escape; there are \" \\ \/ \b \f \n \r \t and \u with four hexadecimal digits`)
	}
	if !utf16.IsSurrogate(r) {
		p.at += 6
		return r, nil
	}
	low, _ := p.hex(p.at + 6)
	whole := utf16.DecodeRune(r, low)
	if whole == utf8.RuneError {
		return 0, p.fail("half a surrogate pair is no character")
	}
	p.at += 12
	return whole, nil
}

// hex reads \uXXXX at a place without going past it.
func (p *parser) hex(at int) (rune, bool) {
	if at+6 > len(p.s) || p.s[at] != '\\' || p.s[at+1] != 'u' {
		return 0, false
	}
	u, err := strconv.ParseUint(p.s[at+2:at+6], 16, 16)
	return rune(u), err == nil
}

// inside puts a name before the path of a repeated name; a column is counted from the start of the line and stays.
func inside(name string, err error) error {
	if f := fieldOf(err); f != nil && strings.HasPrefix(f.Path, "column ") {
		return err
	}
	return within(name, err)
}

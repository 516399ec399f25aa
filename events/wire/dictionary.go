package wire

import (
	_ "embed"
)

// A dictionary holds the forms and texts of typical records: a folded list names them by number, and they are the
// history with which its compression begins. Its number stands in the header of the frame. What was once released is
// never changed; a better one gets the next number.
type dictionary struct {
	id     uint32
	data   []byte
	shapes []*shape
	formOf map[string]int // from 1
	texts  []string
	textOf map[string]uint64 // from 1
}

//go:embed dictionary.1
var dictionary1 []byte

var newest = readDictionary(1, dictionary1)

// readDictionary reads a dictionary: two pieces, the lists of its forms and of its texts. A fault in it is our own.
func readDictionary(id uint32, data []byte) *dictionary {
	d := &dictionary{id: id, data: data, formOf: map[string]int{}, textOf: map[string]uint64{}}
	whole := column{b: data}
	forms, texts := column{b: whole.piece()}, column{b: whole.piece()}
	for forms.more() {
		form := forms.piece()
		s, ok := readShape(form)
		if !ok {
			panic("wire.readDictionary: a form")
		}
		d.shapes = append(d.shapes, s)
		d.formOf[string(form)] = len(d.shapes)
	}
	for texts.more() {
		d.texts = append(d.texts, string(texts.piece()))
		d.textOf[d.texts[len(d.texts)-1]] = uint64(len(d.texts))
	}
	if !whole.done() || !forms.done() || !texts.done() || len(d.formOf) != len(d.shapes) || len(d.textOf) != len(d.texts) {
		panic("wire.readDictionary: not two lists of different pieces")
	}
	return d
}

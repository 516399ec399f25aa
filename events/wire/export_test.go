package wire

import (
	"slices"

	"ullage/events"
	"ullage/events/pack"
)

// MakeDictionary makes a dictionary of the forms and texts of records, and of the words of all lists.
func MakeDictionary(records [][]byte) []byte {
	none := readDictionary(0, []byte{0, 0})
	var texts []string
	count := map[string]int{}
	see := func(text string) {
		if count[text]++; count[text] == 1 && text != "" {
			texts = append(texts, text)
		}
	}
	for _, r := range records {
		e, body, ok := readEnvelope(r)
		if !ok {
			panic("wire.MakeDictionary: not a record")
		}
		_, values := split(pack.NewReader(body), AppendPiece(nil, []byte(e.kind)), nil, events.MaxDepth)
		for _, v := range values {
			if v.is == isText {
				see(v.text)
			}
		}
	}
	for _, s := range events.Schemas() {
		for _, f := range s.Fields {
			for _, w := range f.Words {
				see(w)
			}
		}
	}
	slices.SortStableFunc(texts, func(a, b string) int { return count[b] - count[a] })
	var list []byte
	for _, t := range texts {
		list = AppendPiece(list, []byte(t))
	}
	return AppendPiece(AppendPiece(nil, fold(records, none).col[colForms]), list)
}

// Known tells how many forms and texts the newest dictionary has.
func Known() (forms, texts int) { return len(newest.shapes), len(newest.texts) }

// Fold gives the columns of a folded list, in the two parts of its frames.
func Fold(pieces [][]byte) (dense, random []byte) {
	dense, random, ok := fold(pieces, newest).content()
	if !ok {
		panic("wire.Fold: larger tables than a reader has")
	}
	return dense, random
}

// Unfold is the inverse of Fold, for the two parts together.
func Unfold(content []byte, most int) ([]byte, error) { return unfold(content, newest, most) }

// SqueezeFolded compresses columns as Squeeze does.
func SqueezeFolded(dense, random []byte) []byte {
	return compress(plain, random, compress(folded, dense, nil))
}

// SqueezePlain compresses a list as it is.
func SqueezePlain(list []byte) []byte { return squeezePlain(list) }

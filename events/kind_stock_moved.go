package events

import "strconv"

// StockMoved tells that some of an item went from one place of stock to another.
type StockMoved struct {
	Item     Code    `f:"item,need"`
	Lot      string  `f:"lot"`
	Quantity float64 `f:"quantity,need" lo:"0"` // in the item's unit
	From     Code    `f:"from"`
	To       Code    `f:"to"`
}

var _ = define[StockMoved]("stock.moved", 1, anyone)

func (*StockMoved) Kind() Kind { return "stock.moved" }

func (b *StockMoved) check() error {
	if err := needOne(b.From != "" || b.To != "", "to", "from"); err != nil {
		return err
	}
	if b.From == b.To {
		return &FieldError{"to", strconv.Quote(string(b.To)), "stock is moved to another place than it comes from"}
	}
	return nil
}

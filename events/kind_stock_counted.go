package events

// StockCounted tells how much of an item was found at a place.
type StockCounted struct {
	Place    Code    `f:"place,need"`
	Item     Code    `f:"item,need"`
	Lot      string  `f:"lot"`
	Quantity float64 `f:"quantity,need" lo:"0"` // in the item's unit
}

var _ = define[StockCounted]("stock.counted", 1, anyone)

func (*StockCounted) Kind() Kind { return "stock.counted" }

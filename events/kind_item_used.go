package events

// ItemUsed tells that something of the stock was used up.
type ItemUsed struct {
	Item     Code    `f:"item,need"`
	Quantity float64 `f:"quantity,need" lo:"0"` // in the item's unit
	Lot      string  `f:"lot"`
	From     Word    `f:"from" in:"van,customer"`
}

var _ = define[ItemUsed]("item.used", 1, anyone)

func (*ItemUsed) Kind() Kind { return "item.used" }

package events

// CustomerEntered puts a customer on the register, or changes what stands there of them.
type CustomerEntered struct {
	Code  Code   `f:"code,need"`
	Name  Digest `f:"name"`
	Lang  string `f:"lang"`
	Payer Code   `f:"payer"` // the customer who pays; left out: the same
}

var _ = define[CustomerEntered]("customer.entered", 1, officeOnly)

func (*CustomerEntered) Kind() Kind { return "customer.entered" }

func (b *CustomerEntered) check() error { return checkLang(b.Lang) }

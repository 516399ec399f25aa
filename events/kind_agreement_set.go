package events

import (
	"strconv"
	"strings"
)

// AgreementSet says what was agreed with a customer, for all their sites or for one.
type AgreementSet struct {
	Customer    Code     `f:"customer"`
	Site        SiteID   `f:"site"`
	From        When     `f:"from"`
	To          When     `f:"to"` // the last day of it
	VisitsAYear *float64 `f:"visits_a_year" lo:"0" hi:"366"`
	Includes    []string `f:"includes"`
	Prices      []Price  `f:"prices"`
	Travel      *Charge  `f:"travel"`
	ReturnDays  *int64   `f:"return_days" lo:"0" hi:"3660"`
}

// Price is what one of something costs.
type Price struct {
	Item     Code     `f:"item,need"`
	Minor    int64    `f:"minor,need" lo:"0"`   // in the currency's smallest unit
	Currency string   `f:"currency,need"`       // ISO 4217
	Per      string   `f:"per"`                 // left out: one
	Tax      *float64 `f:"tax" lo:"0" hi:"100"` // per cent, on top
}

// Charge is a Price of something that is no item.
type Charge struct {
	Minor    int64    `f:"minor,need" lo:"0"`
	Currency string   `f:"currency,need"`
	Per      string   `f:"per"` // left out: a visit
	Tax      *float64 `f:"tax" lo:"0" hi:"100"`
}

func (p *Price) check() error { return checkCurrency(p.Currency) }

func (c *Charge) check() error { return checkCurrency(c.Currency) }

func checkCurrency(s string) error {
	if len(s) != 3 || strings.Trim(s, "ABCDEFGHIJKLMNOPQRSTUVWXYZ") != "" {
		return &FieldError{"currency", strconv.Quote(s), "not the code of a currency, such as EUR"}
	}
	return nil
}

var _ = define[AgreementSet]("agreement.set", 1, officeOnly)

func (*AgreementSet) Kind() Kind { return "agreement.set" }

func (b *AgreementSet) check() error {
	if b.Customer != "" && b.Site != "" {
		return &FieldError{"site", strconv.Quote(string(b.Site)), "an agreement is with a customer or for a site, not both"}
	}
	return checkOrder(b.From, "to", b.To)
}

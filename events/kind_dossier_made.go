package events

// DossierMade tells that a dossier was made, for whom, and which evidence went out with it.
type DossierMade struct {
	Digest   Hash     `f:"digest,need" is:"hash"` // SHA-256 of the file
	For      Digest   `f:"for"`                   // a name, hence evidence
	Evidence []Digest `f:"evidence"`
}

var _ = define[DossierMade]("dossier.made", 1, officeOnly)

func (*DossierMade) Kind() Kind { return "dossier.made" }

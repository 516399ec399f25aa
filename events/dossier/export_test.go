package dossier

// Second is another verifier, written from README.txt alone, in the package of external tests: it shares no code with
// this one.
var Second func(file []byte) error

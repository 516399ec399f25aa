package dossier

import (
	"bytes"
	"crypto/ed25519"
	"crypto/sha256"
	"encoding/base64"
	"encoding/hex"
	"fmt"
	"strings"
)

// signer is the name under which the key of a log signs manifests. It stands in what is signed, and its second line is
// no number, so a manifest can never be shown as a checkpoint.
func signer(key ed25519.PublicKey) string {
	h := sha256.Sum256(key)
	return "ullage.dossier/" + hex.EncodeToString(h[:8])
}

// Sign signs a text by the key of the log.
type Sign func(text []byte) (signature []byte, err error)

// manifest lists the members, which ascend by name, and signs the list: a C2SP signed note. Its inverse is
// checkManifest.
func manifest(members []member, key ed25519.PublicKey, by Sign) ([]byte, error) {
	text := list(members, key)
	signature, err := by(text)
	if err != nil {
		return nil, fmt.Errorf("sign the manifest: %w", err)
	}
	return signed(text, key, signature), nil
}

func list(members []member, key ed25519.PublicKey) []byte {
	b := fmt.Appendf(nil, "%s\nformat %d\n", signer(key), format)
	for _, m := range members {
		b = fmt.Appendf(b, "%x %d %s\n", sha256.Sum256(m.data), len(m.data), m.name)
	}
	return b
}

// signed puts a signature below a text.
func signed(text []byte, key ed25519.PublicKey, signature []byte) []byte {
	name := signer(key)
	id := sha256.Sum256(append([]byte(name+"\n\x01"), key...))
	return fmt.Appendf(nil, "%s\n— %s %s\n", text, name, base64.StdEncoding.EncodeToString(append(id[:4:4], signature...)))
}

// checkManifest returns nil where note is the manifest of these members, signed by key. The error wraps ErrRefused.
func checkManifest(note []byte, members []member, key ed25519.PublicKey) error {
	text := list(members, key)
	rest, ok := bytes.CutPrefix(note, text)
	if !ok {
		return refused("%s does not list what is there: %s", nameManifest, difference(note, text))
	}
	// The signature is the last word, and everything around it is known.
	_, last, _ := bytes.Cut(rest, []byte("— "+signer(key)+" "))
	raw, err := base64.StdEncoding.DecodeString(string(bytes.TrimSuffix(last, []byte("\n"))))
	if err != nil || len(raw) != 4+ed25519.SignatureSize || !bytes.Equal(signed(text, key, raw[4:]), note) {
		return refused("%s has not one signature by the log in the form of a note", nameManifest)
	}
	if !ed25519.Verify(key, text, raw[4:]) {
		return refused("the log's key did not sign %s", nameManifest)
	}
	return nil
}

// difference names the first line of a manifest that is not the one that the members make.
func difference(got, want []byte) string {
	a, b := strings.Split(string(got), "\n"), strings.Split(string(want), "\n")
	for i := range b {
		if i >= len(a) || a[i] != b[i] {
			words := strings.Fields(b[i])
			if len(words) > 0 {
				return "look at " + words[len(words)-1]
			}
			break
		}
	}
	return "it goes on"
}

package officecli

import (
	"fmt"
	"io"
	"strings"

	"github.com/boombuler/barcode/qr"
)

// quiet is the light margin of a QR code, in modules; readers count on it.
const quiet = 4

// Black on white, of the 256 colours that a terminal's theme does not change. A terminal is dark or light, a code is
// not: readers want dark modules on light ground.
const (
	codeColours = "\x1b[38;5;16;48;5;231m"
	plainAgain  = "\x1b[0m"
)

// drawQR draws a text as a QR code on a terminal, two modules in each character.
func drawQR(w io.Writer, text string) error {
	code, err := qr.Encode(text, qr.L, qr.Unicode) // its bytes as they are
	if err != nil {
		return fmt.Errorf("draw the code: %w", err)
	}
	size := code.Bounds().Dx()
	dark := func(x, y int) bool {
		if x < 0 || y < 0 || x >= size || y >= size {
			return false
		}
		grey, _, _, _ := code.At(x, y).RGBA()
		return grey == 0
	}
	var b strings.Builder
	for y := -quiet; y < size+quiet; y += 2 {
		b.WriteString(codeColours)
		for x := -quiet; x < size+quiet; x++ {
			switch upper, lower := dark(x, y), dark(x, y+1); {
			case upper && lower:
				b.WriteRune('█')
			case upper:
				b.WriteRune('▀')
			case lower:
				b.WriteRune('▄')
			default:
				b.WriteByte(' ')
			}
		}
		b.WriteString(plainAgain + "\n")
	}
	_, err = io.WriteString(w, b.String())
	return err
}

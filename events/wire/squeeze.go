package wire

import (
	"encoding/binary"
	"fmt"
	"sync"

	"github.com/klauspost/compress/zstd"
)

// Squeezing is zstd (RFC 8878) over a list of pieces, each with its length before it as a uvarint. One worker a call:
// whoever wants more makes more calls.

var encoders = sync.Pool{New: func() any {
	e, err := zstd.NewWriter(nil, zstd.WithEncoderConcurrency(1), zstd.WithEncoderLevel(zstd.SpeedDefault), zstd.WithWindowSize(1<<20), zstd.WithEncoderCRC(false), zstd.WithZeroFrames(true))
	if err != nil {
		panic("wire: zstd encoder: " + err.Error()) // our own settings
	}
	return e
}}

var decoders = sync.Pool{New: func() any {
	d, err := zstd.NewReader(nil, zstd.WithDecoderConcurrency(1), zstd.WithDecoderMaxMemory(maxExpanded), zstd.WithDecoderMaxWindow(8<<20), zstd.WithDecoderLowmem(true))
	if err != nil {
		panic("wire: zstd decoder: " + err.Error())
	}
	return d
}}

// maxExpanded bounds what any message expands to: a full push and its commit record.
const maxExpanded = MaxPlain + MaxMessage

// AppendPiece appends a piece to a list that Squeeze will take.
func AppendPiece(list, piece []byte) []byte {
	return append(binary.AppendUvarint(list, uint64(len(piece))), piece...)
}

// Squeeze compresses a list of pieces. Its inverse is Expand.
func Squeeze(list []byte) []byte {
	e := encoders.Get().(*zstd.Encoder)
	defer encoders.Put(e)
	return e.EncodeAll(list, make([]byte, 0, len(list)/3+64))
}

// Expand gives back the list; it takes memory for at most most bytes. The error wraps ErrMessage.
func Expand(data []byte, most int) ([]byte, error) {
	var h zstd.Header
	if err := h.Decode(data); err != nil {
		return nil, fmt.Errorf("%w: zstd: %w", ErrMessage, err)
	}
	if h.HasFCS && h.FrameContentSize > uint64(most) {
		return nil, fmt.Errorf("%w: it expands to %d bytes, at most %d are allowed", ErrMessage, h.FrameContentSize, most)
	}
	d := decoders.Get().(*zstd.Decoder)
	defer decoders.Put(d)
	var dst []byte
	if h.HasFCS {
		dst = make([]byte, 0, h.FrameContentSize)
	}
	list, err := d.DecodeAll(data, dst)
	if err != nil {
		return nil, fmt.Errorf("%w: zstd: %w", ErrMessage, err)
	}
	if len(list) > most {
		return nil, fmt.Errorf("%w: it expands to %d bytes, at most %d are allowed", ErrMessage, len(list), most)
	}
	return list, nil
}

// Pieces cuts a list into its pieces, which are parts of it: at most most, each of at most size bytes.
func Pieces(list []byte, most, size int) ([][]byte, error) {
	var pieces [][]byte
	for at := 0; at < len(list); {
		n, w := binary.Uvarint(list[at:])
		switch {
		case w <= 0 || w > 1 && list[at+w-1] == 0: // not there, or longer than it need be
			return nil, fmt.Errorf("%w: byte %d: no length of a piece", ErrMessage, at)
		case n > uint64(len(list)-at-w):
			return nil, fmt.Errorf("%w: byte %d: a piece of %d bytes goes beyond the end", ErrMessage, at, n)
		case n > uint64(size):
			return nil, fmt.Errorf("%w: byte %d: a piece of %d bytes, at most %d are allowed", ErrMessage, at, n, size)
		case len(pieces) == most:
			return nil, fmt.Errorf("%w: more than %d pieces", ErrMessage, most)
		}
		at += w
		pieces = append(pieces, list[at:at+int(n):at+int(n)])
		at += int(n)
	}
	return pieces, nil
}

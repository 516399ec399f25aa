package wire

import (
	"encoding/binary"
	"fmt"
	"sync"

	"github.com/klauspost/compress/zstd"
)

// A list is pieces one after the other, each with its length before it as a uvarint. Squeezing is folding (fold.go),
// then zstd (RFC 8878). One worker a call: whoever wants more makes more calls.

func encoder(options ...zstd.EOption) *sync.Pool {
	options = append(options, zstd.WithEncoderConcurrency(1), zstd.WithEncoderLevel(zstd.SpeedDefault), zstd.WithWindowSize(1<<20),
		zstd.WithEncoderCRC(false), zstd.WithZeroFrames(true), zstd.WithLowerEncoderMem(true))
	return &sync.Pool{New: func() any {
		e, err := zstd.NewWriter(nil, options...)
		if err != nil {
			panic("wire: zstd encoder: " + err.Error()) // our own settings
		}
		return e
	}}
}

var (
	plain  = encoder()
	folded = encoder(zstd.WithEncoderDictRaw(newest.id, newest.data))
)

var decoders = sync.Pool{New: func() any {
	d, err := zstd.NewReader(nil, zstd.WithDecoderConcurrency(1), zstd.WithDecoderMaxMemory(maxExpanded), zstd.WithDecoderMaxWindow(8<<20), zstd.WithDecoderLowmem(true),
		zstd.WithDecoderDictRaw(newest.id, newest.data))
	if err != nil {
		panic("wire: zstd decoder: " + err.Error())
	}
	return d
}}

// maxExpanded bounds what any message expands to: the records of a full push, and their commit record.
const maxExpanded = MaxPlain + maxCommit + binary.MaxVarintLen32

func compress(encoders *sync.Pool, data, b []byte) []byte {
	e := encoders.Get().(*zstd.Encoder)
	defer encoders.Put(e)
	return e.EncodeAll(data, b)
}

// AppendPiece appends a piece to a list.
func AppendPiece(list, piece []byte) []byte {
	return append(binary.AppendUvarint(list, uint64(len(piece))), piece...)
}

// Squeeze compresses a list of records, or of anything else. Its inverse is Expand.
func Squeeze(list []byte) []byte {
	pieces, err := Pieces(list, len(list), len(list))
	if err != nil {
		return squeezePlain(list)
	}
	dense, random, ok := fold(pieces, newest).content()
	if !ok || len(dense)+len(random) > len(list) {
		return squeezePlain(list)
	}
	f := compress(folded, dense, make([]byte, 0, len(dense)/2+len(random)+64))
	if f = compress(plain, random, f); len(f) <= len(list)/4 {
		return f // plain, records never become that small: too much in them is random
	}
	if z := squeezePlain(list); len(z) <= len(f) {
		return z
	}
	return f
}

// squeezePlain compresses a list such that any reader of zstd can expand it.
func squeezePlain(list []byte) []byte {
	return compress(plain, list, make([]byte, 0, len(list)/3+64))
}

// Expand gives back the list of Squeeze, and any other that is zstd without a dictionary, where it has at most most
// bytes. The error wraps ErrMessage.
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
	content, err := d.DecodeAll(data, nil)
	if err != nil {
		return nil, fmt.Errorf("%w: zstd: %w", ErrMessage, err)
	}
	if len(content) > most {
		return nil, fmt.Errorf("%w: it expands to %d bytes, at most %d are allowed", ErrMessage, len(content), most)
	}
	if h.DictionaryID != newest.id {
		return content, nil
	}
	return unfold(content, newest, most)
}

// uvarint reads a number in its shortest form; w is 0 where there is none.
func uvarint(b []byte) (u uint64, w int) {
	u, w = binary.Uvarint(b)
	if w <= 0 || w > 1 && b[w-1] == 0 {
		return 0, 0
	}
	return u, w
}

// Pieces cuts a list into its pieces, which are parts of it: at most most, each of 1 to size bytes.
func Pieces(list []byte, most, size int) ([][]byte, error) {
	var pieces [][]byte
	for at := 0; at < len(list); {
		n, w := uvarint(list[at:])
		switch {
		case w == 0:
			return nil, fmt.Errorf("%w: byte %d: no length of a piece", ErrMessage, at)
		case n > uint64(len(list)-at-w):
			return nil, fmt.Errorf("%w: byte %d: a piece of %d bytes goes beyond the end", ErrMessage, at, n)
		case n == 0:
			return nil, fmt.Errorf("%w: byte %d: an empty piece", ErrMessage, at)
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

package people

import (
	"bytes"
	"encoding/binary"
	"encoding/hex"
	"math/bits"
	"testing"

	"golang.org/x/crypto/blake2b"
)

// A second argon2id, written from RFC 9106, sections 3.2 to 3.6, for the vector of the RFC has a secret and associated
// data, which the library does not take. It is slow and has one lane work after the other.

type block [128]uint64

func le32(n int) []byte { return binary.LittleEndian.AppendUint32(nil, uint32(n)) }

// blake is the hash H of the RFC, of size bytes.
func blake(size int, parts ...[]byte) []byte {
	h, err := blake2b.New(size, nil)
	if err != nil {
		panic(err)
	}
	for _, p := range parts {
		h.Write(p)
	}
	return h.Sum(nil)
}

// longBlake is H' (section 3.3).
func longBlake(size int, parts ...[]byte) []byte {
	parts = append([][]byte{le32(size)}, parts...)
	if size <= 64 {
		return blake(size, parts...)
	}
	v := blake(64, parts...)
	var out []byte
	for ; size-len(out) > 64; v = blake(min(64, size-len(out)), v) {
		out = append(out, v[:32]...)
	}
	return append(out, v...)
}

func blockOf(b []byte) (x block) {
	for i := range x {
		x[i] = binary.LittleEndian.Uint64(b[8*i:])
	}
	return x
}

func xor(x, y block) block {
	for i := range x {
		x[i] ^= y[i]
	}
	return x
}

// compress is G (section 3.5).
func compress(x, y block) block {
	r := xor(x, y)
	q := r
	for i := range 8 {
		var row [16]int
		for k := range row {
			row[k] = 16*i + k
		}
		permute(&q, row)
	}
	for i := range 8 {
		var column [16]int
		for k := range 8 {
			column[2*k], column[2*k+1] = 16*k+2*i, 16*k+2*i+1
		}
		permute(&q, column)
	}
	return xor(q, r)
}

// permute is P (section 3.6) on the words at some places.
func permute(b *block, at [16]int) {
	mix := func(a, x, c, d int) {
		step := func(to, from, of, by int) {
			lo := func(i int) uint64 { return b[at[i]] & 0xffffffff }
			b[at[to]] += b[at[from]] + 2*lo(to)*lo(from)
			b[at[of]] = bits.RotateLeft64(b[at[of]]^b[at[to]], -by)
		}
		step(a, x, d, 32)
		step(c, d, x, 24)
		step(a, x, d, 16)
		step(c, d, x, 63)
	}
	for i := range 4 {
		mix(i, i+4, i+8, i+12)
	}
	for i := range 4 {
		mix(i, 4+(i+1)%4, 8+(i+2)%4, 12+(i+3)%4)
	}
}

func slowArgon2id(password, salt, secret, data []byte, passes, kib, lanes, size int) []byte {
	const version, kind, slices = 0x13, 2, 4
	var parts [][]byte
	for _, n := range []int{lanes, size, kib, passes, version, kind} {
		parts = append(parts, le32(n))
	}
	for _, b := range [][]byte{password, salt, secret, data} {
		parts = append(parts, le32(len(b)), b)
	}
	h0 := blake(64, parts...)
	length := kib / (slices * lanes) * slices // of a lane
	segment := length / slices
	b := make([][]block, lanes)
	for l := range b {
		b[l] = make([]block, length)
		b[l][0] = blockOf(longBlake(1024, h0, le32(0), le32(l)))
		b[l][1] = blockOf(longBlake(1024, h0, le32(1), le32(l)))
	}
	for pass := range passes {
		for slice := range slices {
			for l := range lanes {
				var addresses block
				for i := range segment {
					j := slice*segment + i
					if pass == 0 && j < 2 {
						continue
					}
					last := b[l][(j+length-1)%length]
					j1, j2 := last[0]&0xffffffff, last[0]>>32
					if pass == 0 && slice < slices/2 { // section 3.4.1.3: independent of what is hashed
						if i%128 == 0 || j == 2 {
							z := block{uint64(pass), uint64(l), uint64(slice), uint64(length * lanes), uint64(passes), kind, uint64(i/128 + 1)}
							addresses = compress(block{}, compress(block{}, z))
						}
						j1, j2 = addresses[i%128]&0xffffffff, addresses[i%128]>>32
					}
					from := int(j2) % lanes
					if pass == 0 && slice == 0 {
						from = l
					}
					// Section 3.4.2: the blocks that can be meant, and which of them.
					first, area := (slice+1)%slices*segment, length-segment
					if pass == 0 {
						first, area = 0, slice*segment
					}
					switch {
					case from == l:
						area += i - 1
					case i == 0:
						area--
					}
					x := j1 * j1 >> 32
					z := area - 1 - int(uint64(area)*x>>32)
					next := compress(last, b[from][(first+z)%length])
					if pass > 0 {
						next = xor(next, b[l][j])
					}
					b[l][j] = next
				}
			}
		}
	}
	var c block
	for l := range b {
		c = xor(c, b[l][length-1])
	}
	var final []byte
	for _, w := range c {
		final = binary.LittleEndian.AppendUint64(final, w)
	}
	return longBlake(size, final)
}

// TestSecondArgon2id checks the second one against the vector of RFC 9106, section 5.3, and then ours against it.
func TestSecondArgon2id(t *testing.T) {
	got := slowArgon2id(bytes.Repeat([]byte{1}, 32), bytes.Repeat([]byte{2}, 16), bytes.Repeat([]byte{3}, 8), bytes.Repeat([]byte{4}, 12), 3, 32, 4, 32)
	if want := "0d640df58d78766c08c037a34a8b53c9d01ef0452d75b65eb52520e96b01e659"; hex.EncodeToString(got) != want {
		t.Fatalf("%x\nwant %s", got, want)
	}
	for _, h := range []hash{{cost: cost{3, 2 << 10, 4}}, {cost: cost{1, 64, 1}}, {cost: cost{2, 1000, 3}}} {
		h.salt = []byte("sixteen of salt.")
		for _, password := range []string{"", "five small red sheds"} {
			want := slowArgon2id([]byte(password), h.salt, nil, nil, int(h.passes), int(h.kib), int(h.lanes), sumSize)
			if got := h.of([]byte(password)); !bytes.Equal(got, want) {
				t.Errorf("%+v of %q: %x, want %x", h, password, got, want)
			}
		}
	}
}

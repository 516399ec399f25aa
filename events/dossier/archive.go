package dossier

import (
	"bytes"
	"encoding/binary"
	"fmt"
	"hash/crc32"
	"slices"
)

// member is one file in a dossier.
type member struct {
	name string
	data []byte
}

// Limits of the archive.
const (
	MaxFile    = 256 << 20 // bytes of a dossier
	maxMembers = 20_000
	maxName    = 160 // bytes
)

// What stands in the headers of a member: the archive stores, and says nothing of where and when it was made.
const (
	zipVersion = 10              // 1.0, the least that a reader must know
	zipDate    = 0<<9 | 1<<5 | 1 // 1980-01-01, the first that the format has
	localSize  = 30
	localMagic = 0x04034b50
	entryMagic = 0x02014b50
	endMagic   = 0x06054b50
)

// archive writes members as the one ZIP file that they have: in ascending order of name, stored, without dates, extra
// fields and comments. Its inverse is unarchive.
func archive(members []member) []byte {
	members = slices.Clone(members)
	slices.SortFunc(members, func(a, b member) int { return bytes.Compare([]byte(a.name), []byte(b.name)) })
	var b, directory []byte
	le := binary.LittleEndian
	for _, m := range members {
		var both []byte // what both headers say alike
		both = le.AppendUint16(both, zipVersion)
		both = le.AppendUint16(both, 0) // flags
		both = le.AppendUint16(both, 0) // stored
		both = le.AppendUint16(both, 0) // 00:00:00
		both = le.AppendUint16(both, zipDate)
		both = le.AppendUint32(both, crc32.ChecksumIEEE(m.data))
		both = le.AppendUint32(both, uint32(len(m.data)))
		both = le.AppendUint32(both, uint32(len(m.data)))
		both = le.AppendUint16(both, uint16(len(m.name)))
		both = le.AppendUint16(both, 0) // extra field

		directory = le.AppendUint32(directory, entryMagic)
		directory = le.AppendUint16(directory, zipVersion)
		directory = append(directory, both...)
		directory = append(directory, make([]byte, 2+2+2+4)...) // comment, disk, attributes
		directory = le.AppendUint32(directory, uint32(len(b)))
		directory = append(directory, m.name...)

		b = le.AppendUint32(b, localMagic)
		b = append(b, both...)
		b = append(b, m.name...)
		b = append(b, m.data...)
	}
	at := len(b)
	b = append(b, directory...)
	b = le.AppendUint32(b, endMagic)
	b = le.AppendUint32(b, 0) // disks
	b = le.AppendUint16(b, uint16(len(members)))
	b = le.AppendUint16(b, uint16(len(members)))
	b = le.AppendUint32(b, uint32(len(directory)))
	b = le.AppendUint32(b, uint32(at))
	return le.AppendUint16(b, 0) // comment
}

// unarchive reads what archive wrote, and nothing else: another order, another header, a byte more or less is refused.
// The members share memory with b.
func unarchive(b []byte) ([]member, error) {
	if len(b) > MaxFile {
		return nil, refused("%d bytes, at most %d are allowed", len(b), MaxFile)
	}
	var members []member
	le := binary.LittleEndian
	rest := b
	for len(rest) >= localSize && le.Uint32(rest) == localMagic {
		size, name := uint64(le.Uint32(rest[22:])), uint64(le.Uint16(rest[26:]))
		if name == 0 || name > maxName || size > uint64(len(rest)) || localSize+name+size > uint64(len(rest)) {
			return nil, refused("a member of the archive is cut off, or its name is")
		}
		if len(members) == maxMembers {
			return nil, refused("more than %d members", maxMembers)
		}
		m := member{string(rest[localSize : localSize+name]), rest[localSize+name : localSize+name+size]}
		if n := len(members); n > 0 && members[n-1].name >= m.name {
			return nil, refused("member %.*q is there twice, or out of order", maxName, m.name)
		}
		members = append(members, m)
		rest = rest[localSize+name+size:]
	}
	if len(members) == 0 {
		return nil, refused("it is no archive of a dossier")
	}
	if !bytes.Equal(archive(members), b) {
		return nil, refused("the archive is not in the form that a dossier has: something in it was changed, or another program packed it")
	}
	return members, nil
}

// refused is an error about a file of which nothing can be said.
func refused(format string, a ...any) error {
	return fmt.Errorf("%w: %w", ErrRefused, fmt.Errorf(format, a...))
}

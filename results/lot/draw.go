package lot

import (
	"crypto/sha256"
	"encoding/binary"
	"encoding/hex"
	"fmt"
	"io"
	"slices"
)

// Draw is a random sample without replacement: the numbers of units in the
// order of drawing, and the seed that they follow from.
//
// Each unit of the lot has a key, the SHA-256 of the seed's 32 bytes and the
// unit's number as 8 bytes, the highest first. The sample are the units with
// the least keys, in their order. Whoever has the seed can draw it again.
type Draw struct {
	Lot   string `json:"lot"`
	Seed  string `json:"seed"` // in hexadecimal
	Units []int  `json:"units"`
}

const seedBytes = 32

// draw takes n of size units by a seed read from random.
func draw(lot string, random io.Reader, size, n int) (Draw, error) {
	var seed [seedBytes]byte
	if _, err := io.ReadFull(random, seed[:]); err != nil {
		return Draw{}, fmt.Errorf("draw a sample: read random bytes: %w", err)
	}
	return Draw{Lot: lot, Seed: hex.EncodeToString(seed[:]), Units: unitsBy(seed, size, n)}, nil
}

// unitsBy draws by a seed.
func unitsBy(seed [seedBytes]byte, size, n int) []int {
	type keyed struct {
		key  [sha256.Size]byte
		unit int
	}
	all := make([]keyed, size)
	for i := range all {
		var text [seedBytes + 8]byte
		copy(text[:], seed[:])
		binary.BigEndian.PutUint64(text[seedBytes:], uint64(i+1))
		all[i] = keyed{sha256.Sum256(text[:]), i + 1}
	}
	slices.SortFunc(all, func(a, b keyed) int { return slices.Compare(a.key[:], b.key[:]) })
	units := make([]int, n)
	for i := range units {
		units[i] = all[i].unit
	}
	return units
}

// Seal commits to the draw without showing it: the SHA-256 of its canonical
// JSON.
func (d Draw) Seal() (string, error) {
	b, err := canonical(d)
	if err != nil {
		return "", fmt.Errorf("seal a draw: %w", err)
	}
	return hashOf(b), nil
}

// follows tells whether the units follow from the seed, for a lot of size
// units and a sample of n.
func (d Draw) follows(size, n int) error {
	b, err := hex.DecodeString(d.Seed)
	if err != nil || len(b) != seedBytes || hex.EncodeToString(b) != d.Seed {
		return fmt.Errorf("its seed is %q; expected %d bytes in hexadecimal", d.Seed, seedBytes)
	}
	if want := unitsBy([seedBytes]byte(b), size, n); !slices.Equal(d.Units, want) {
		return fmt.Errorf("its units are %v; from the seed follow %v", d.Units, want)
	}
	return nil
}

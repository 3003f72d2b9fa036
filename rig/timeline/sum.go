package timeline

import (
	"hash"
)

// summed passes bytes through a checksum as they are read.
type summed struct {
	r   byteReader
	crc hash.Hash32
}

func (s *summed) Read(p []byte) (int, error) {
	n, err := s.r.Read(p)
	s.crc.Write(p[:n])
	return n, err
}

func (s *summed) ReadByte() (byte, error) {
	b, err := s.r.ReadByte()
	if err == nil {
		s.crc.Write([]byte{b})
	}
	return b, err
}

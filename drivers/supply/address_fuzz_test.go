package supply

import (
	"strings"
	"testing"
)

// FuzzAddress: what is no address says so, with the address in it.
func FuzzAddress(f *testing.F) {
	for _, s := range []string{"tcp://192.0.2.10:5025", "serial:///dev/ttyUSB0?baud=9600&parity=even", "192.0.2.10", "tcp://"} {
		f.Add(s)
	}
	f.Fuzz(func(t *testing.T, address string) {
		open, err := parseAddress(address)
		switch {
		case (open == nil) != (err != nil):
			t.Errorf("%q gives a link: %v, and the error %v", address, open != nil, err)
		case err != nil && !strings.Contains(err.Error(), "supply address"):
			t.Errorf("%q: %v", address, err)
		case err == nil && !strings.HasPrefix(strings.ToLower(address), "tcp://") && !strings.HasPrefix(strings.ToLower(address), "serial:"):
			t.Errorf("%q is taken", address)
		}
	})
}

package scenarios

import "testing"

func TestStockLoads(t *testing.T) {
	for _, name := range Stock() {
		s, err := Load(name)
		if err != nil {
			t.Error(err)
			continue
		}
		if s.About == "" || len(s.Plan) == 0 {
			t.Errorf("%s says nothing of itself", name)
		}
		if _, _, ok, err := s.DefaultLimits(); err != nil || !ok {
			t.Errorf("%s has no limits: %v", name, err)
		}
	}
}

package report

import (
	"encoding/json"
	"math"
	"reflect"
	"testing"
)

func TestJSONRoundTrip(t *testing.T) {
	in := large(t)
	var got everything
	if err := json.Unmarshal([]byte(render(t, JSON, in)), &got); err != nil {
		t.Fatal(err)
	}
	if want := (everything{1, in.Run, in.Header, in.Judgement, in.Set}); !reflect.DeepEqual(got, want) {
		t.Errorf("got %+v\nwant %+v", got, want)
	}
}

// TestJSONWithoutBound writes a judgement whose bound does not exist.
func TestJSONWithoutBound(t *testing.T) {
	in := small(t)
	r := &in.Judgement.Results[0]
	r.Value, r.Bound, r.Margin, r.HasBound = math.NaN(), math.Inf(1), math.Inf(-1), true
	var got everything
	if err := json.Unmarshal([]byte(render(t, JSON, in)), &got); err != nil {
		t.Fatal(err)
	}
	if g := got.Judgement.Results[0]; g.HasBound || g.HasValue || g.Bound != 0 || g.Margin != 0 {
		t.Errorf("got %+v", g)
	}
	if !math.IsInf(r.Bound, 1) {
		t.Error("the caller's judgement was changed")
	}
}

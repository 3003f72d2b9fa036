package daemon

import (
	"errors"
	"strings"
	"testing"
)

func TestFiles(t *testing.T) {
	tr := newTrial(t)
	ctx := t.Context()
	f, err := tr.PutFile(ctx, "Ada", "splash.star", "about = \"splash\"")
	if err != nil || f.By != "Ada" || len(f.Hash) != 64 {
		t.Fatalf("%+v, %v", f, err)
	}
	var wrong *BadRequest
	for name, text := range map[string]string{
		"drip.star": "x", "splash.txt": "x", "../splash.star": "x", "a/b.star": "x", ".star": "x", "bad.star": "wrong", "big.star": strings.Repeat("x", mostText+1),
	} {
		if _, err := tr.PutFile(ctx, "Ada", name, text); !errors.As(err, &wrong) {
			t.Errorf("%s: %v", name, err)
		}
	}
	if got, err := tr.CheckFile(ctx, "bad.star", "wrong"); err != nil || len(got.Problems) != 1 {
		t.Errorf("check: %+v, %v", got, err)
	}
	list, err := tr.Files(ctx)
	if err != nil || len(list) != 2 || !list[0].Stock || list[0].Hash == "" || list[1].Name != "splash.star" || list[1].Text != "" {
		t.Errorf("list %+v, %v", list, err)
	}
	for name, stock := range map[string]bool{"drip.star": true, "splash.star": false} {
		if got, err := tr.File(ctx, name); err != nil || got.Stock != stock || got.Text == "" || len(got.Hash) != 64 {
			t.Errorf("%s: %+v, %v", name, got, err)
		}
	}
	if err := tr.DeleteFile(ctx, "Ada", "drip.star"); !errors.As(err, &wrong) {
		t.Errorf("deleted what is drench's: %v", err)
	}
	if err := tr.DeleteFile(ctx, "Ada", "splash.star"); err != nil {
		t.Error(err)
	}
	if _, err := tr.File(ctx, "splash.star"); !errors.Is(err, ErrNotFound) {
		t.Errorf("read after: %v", err)
	}
	if err := tr.DeleteFile(ctx, "Ada", "splash.star"); !errors.Is(err, ErrNotFound) {
		t.Errorf("deleted twice: %v", err)
	}
}

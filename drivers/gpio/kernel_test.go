package gpio

import (
	"encoding/binary"
	"fmt"
	"os"
	"os/exec"
	"path/filepath"
	"slices"
	"strings"
	"testing"
	"unsafe"

	"drench/rig"

	"golang.org/x/sys/unix"
	periph "periph.io/x/conn/v3/gpio"
)

// layout is what the kernel's linux/gpio.h says, with every field that this
// package touches, as a C expression and as Go has it.
var layout = []struct {
	expression string
	want       uint64 // sizes: linux/gpio.h of Linux 6.1, compiled by gcc 12.2
	got        uint64
}{
	{"sizeof(struct gpiochip_info)", 68, uint64(unsafe.Sizeof(unix.GPIOChipInfo{}))},
	{"sizeof(struct gpio_v2_line_values)", 16, uint64(unsafe.Sizeof(unix.GPIOV2LineValues{}))},
	{"sizeof(struct gpio_v2_line_attribute)", 16, uint64(unsafe.Sizeof(unix.GPIOV2LineAttribute{}))},
	{"sizeof(struct gpio_v2_line_config_attribute)", 24, uint64(unsafe.Sizeof(unix.GPIOV2LineConfigAttribute{}))},
	{"sizeof(struct gpio_v2_line_config)", 272, uint64(unsafe.Sizeof(unix.GPIOV2LineConfig{}))},
	{"sizeof(struct gpio_v2_line_request)", 592, uint64(unsafe.Sizeof(unix.GPIOV2LineRequest{}))},
	{"sizeof(struct gpio_v2_line_info)", 256, uint64(unsafe.Sizeof(unix.GPIOV2LineInfo{}))},
	{"sizeof(struct gpio_v2_line_event)", recordSize, uint64(unsafe.Sizeof(unix.GPIOV2LineEvent{}))},
	{"offsetof(struct gpio_v2_line_attribute, flags)", 8, uint64(unsafe.Offsetof(unix.GPIOV2LineAttribute{}.Flags))},
	{"offsetof(struct gpio_v2_line_config, attrs)", 32, uint64(unsafe.Offsetof(unix.GPIOV2LineConfig{}.Attrs))},
	{"offsetof(struct gpio_v2_line_request, consumer)", 256, uint64(unsafe.Offsetof(unix.GPIOV2LineRequest{}.Consumer))},
	{"offsetof(struct gpio_v2_line_request, config)", 288, uint64(unsafe.Offsetof(unix.GPIOV2LineRequest{}.Config))},
	{"offsetof(struct gpio_v2_line_request, num_lines)", 560, uint64(unsafe.Offsetof(unix.GPIOV2LineRequest{}.Num_lines))},
	{"offsetof(struct gpio_v2_line_request, event_buffer_size)", 564, uint64(unsafe.Offsetof(unix.GPIOV2LineRequest{}.Event_buffer_size))},
	{"offsetof(struct gpio_v2_line_request, fd)", 588, uint64(unsafe.Offsetof(unix.GPIOV2LineRequest{}.Fd))},
	{"offsetof(struct gpio_v2_line_info, flags)", 72, uint64(unsafe.Offsetof(unix.GPIOV2LineInfo{}.Flags))},
	{"offsetof(struct gpio_v2_line_info, attrs)", 80, uint64(unsafe.Offsetof(unix.GPIOV2LineInfo{}.Attrs))},
	{"offsetof(struct gpio_v2_line_event, id)", 8, uint64(unsafe.Offsetof(unix.GPIOV2LineEvent{}.Id))},
	{"offsetof(struct gpio_v2_line_event, offset)", 12, uint64(unsafe.Offsetof(unix.GPIOV2LineEvent{}.Offset))},
	{"offsetof(struct gpio_v2_line_event, seqno)", 16, uint64(unsafe.Offsetof(unix.GPIOV2LineEvent{}.Seqno))},
	{"offsetof(struct gpio_v2_line_event, line_seqno)", 20, uint64(unsafe.Offsetof(unix.GPIOV2LineEvent{}.Line_seqno))},
	{"GPIO_V2_LINE_FLAG_USED", 1 << 0, flagUsed},
	{"GPIO_V2_LINE_FLAG_ACTIVE_LOW", 1 << 1, flagActiveLow},
	{"GPIO_V2_LINE_FLAG_INPUT", 1 << 2, flagInput},
	{"GPIO_V2_LINE_FLAG_OUTPUT", 1 << 3, flagOutput},
	{"GPIO_V2_LINE_FLAG_EDGE_RISING", 1 << 4, flagRising},
	{"GPIO_V2_LINE_FLAG_EDGE_FALLING", 1 << 5, flagFalling},
	{"GPIO_V2_LINE_FLAG_OPEN_DRAIN", 1 << 6, flagOpenDrain},
	{"GPIO_V2_LINE_FLAG_OPEN_SOURCE", 1 << 7, flagOpenSource},
	{"GPIO_V2_LINE_FLAG_BIAS_PULL_UP", 1 << 8, flagPullUp},
	{"GPIO_V2_LINE_FLAG_BIAS_PULL_DOWN", 1 << 9, flagPullDown},
	{"GPIO_V2_LINE_FLAG_BIAS_DISABLED", 1 << 10, flagBiasOff},
	{"GPIO_GET_CHIPINFO_IOCTL", 0x8044b401, unix.GPIO_GET_CHIPINFO_IOCTL},
	{"GPIO_V2_GET_LINEINFO_IOCTL", 0xc100b405, unix.GPIO_V2_GET_LINEINFO_IOCTL},
	{"GPIO_V2_GET_LINE_IOCTL", 0xc250b407, unix.GPIO_V2_GET_LINE_IOCTL},
	{"GPIO_V2_LINE_GET_VALUES_IOCTL", 0xc010b40e, unix.GPIO_V2_LINE_GET_VALUES_IOCTL},
	{"GPIO_V2_LINE_SET_VALUES_IOCTL", 0xc010b40f, unix.GPIO_V2_LINE_SET_VALUES_IOCTL},
}

func TestLayout(t *testing.T) {
	for _, l := range layout {
		if l.got != l.want {
			t.Errorf("%s is %#x here, %#x in the kernel's header", l.expression, l.got, l.want)
		}
	}
}

// TestLayoutByCompiler asks the C compiler and this machine's own header.
func TestLayoutByCompiler(t *testing.T) {
	gcc := need(t, "gcc")
	source := "#include <stdio.h>\n#include <stddef.h>\n#include <linux/gpio.h>\nint main() {\n"
	var want strings.Builder
	for _, l := range layout {
		source += fmt.Sprintf("printf(\"%%llu\\n\", (unsigned long long)%s);\n", l.expression)
		fmt.Fprintln(&want, l.got)
	}
	program := filepath.Join(t.TempDir(), "layout")
	if err := os.WriteFile(program+".c", []byte(source+"}\n"), 0o600); err != nil {
		t.Fatal(err)
	}
	if b, err := exec.Command(gcc, "-o", program, program+".c").CombinedOutput(); err != nil {
		missing(t, fmt.Sprintf("can't compile against linux/gpio.h: %v\n%s", err, b))
	}
	got, err := exec.Command(program).Output()
	if err != nil {
		t.Fatal(err)
	}
	if string(got) != want.String() {
		t.Errorf("the compiler has\n%s, here it is\n%s", got, want.String())
	}
}

// need finds a program of the system.
func need(t *testing.T, program string) string {
	t.Helper()
	path, err := exec.LookPath(program)
	if err != nil {
		missing(t, err.Error())
	}
	return path
}

// missing skips a test for want of a component, unless all are required.
func missing(t *testing.T, what string) {
	t.Helper()
	if os.Getenv("DRENCH_REQUIRE") == "all" {
		t.Fatal(what)
	}
	t.Skip(what)
}

func TestCompose(t *testing.T) {
	in := flagInput | flagRising | flagFalling
	r, err := compose("drench:detect,pump_drip", []wanted{
		{offset: 3, flags: in},
		{offset: 9, flags: in | flagActiveLow},
		{offset: 17, flags: flagOutput | flagActiveLow, active: true},
		{offset: 4, flags: in | flagActiveLow},
		{offset: 5, flags: flagOutput | flagActiveLow},
		{offset: 31},
	}, 1024)
	if err != nil {
		t.Fatal(err)
	}
	want := unix.GPIOV2LineRequest{Num_lines: 6, Event_buffer_size: 1024}
	copy(want.Offsets[:], []uint32{3, 9, 17, 4, 5, 31})
	copy(want.Consumer[:], "drench:detect,pump_drip")
	want.Config.Flags, want.Config.Num_attrs = in, 4
	// Ids: enum gpio_v2_line_attr_id, 1 flags, 2 output values.
	want.Config.Attrs[0] = unix.GPIOV2LineConfigAttribute{Attr: unix.GPIOV2LineAttribute{Id: 2, Flags: 0b000100}, Mask: 0b010100}
	want.Config.Attrs[1] = unix.GPIOV2LineConfigAttribute{Attr: unix.GPIOV2LineAttribute{Id: 1, Flags: in | flagActiveLow}, Mask: 0b001010}
	want.Config.Attrs[2] = unix.GPIOV2LineConfigAttribute{Attr: unix.GPIOV2LineAttribute{Id: 1, Flags: flagOutput | flagActiveLow}, Mask: 0b010100}
	want.Config.Attrs[3] = unix.GPIOV2LineConfigAttribute{Attr: unix.GPIOV2LineAttribute{Id: 1, Flags: 0}, Mask: 0b100000}
	if r != want {
		t.Errorf("request is\n%+v, want\n%+v", r, want)
	}
}

func TestComposeLimits(t *testing.T) {
	if _, err := compose("x", nil, 0); err == nil {
		t.Error("no line at all was accepted")
	}
	if _, err := compose("x", make([]wanted, 64), 0); err != nil {
		t.Errorf("64 lines: %v", err)
	}
	if _, err := compose("x", make([]wanted, 65), 0); err == nil {
		t.Error("65 lines were accepted")
	}
	var many []wanted
	for f := range uint64(12) {
		many = append(many, wanted{flags: f << 20})
	}
	if _, err := compose("x", many[:11], 0); err != nil {
		t.Errorf("10 settings beside the first: %v", err)
	}
	if _, err := compose("x", many, 0); err == nil {
		t.Error("11 settings beside the first were accepted")
	}
	r, err := compose(strings.Repeat("c", 40), many[:1], 0)
	if err != nil {
		t.Fatal(err)
	}
	if got := text(r.Consumer[:]); got != strings.Repeat("c", 31) {
		t.Errorf("consumer is %q, want 31 characters and a NUL", got)
	}
}

func TestDecodeInfo(t *testing.T) {
	raw := unix.GPIOV2LineInfo{Offset: 4, Num_attrs: 1, Flags: flagUsed | flagActiveLow | flagInput | flagRising | flagPullUp}
	copy(raw.Name[:], "DETECT")
	copy(raw.Consumer[:], "drench:detect")
	raw.Attrs[0] = attribute(unix.GPIO_V2_LINE_ATTR_ID_DEBOUNCE, 0, 0).Attr
	binary.NativeEndian.PutUint32((*[8]byte)(unsafe.Pointer(&raw.Attrs[0].Flags))[:], 5000)
	want := LineInfo{Name: "DETECT", Used: true, Consumer: "drench:detect", ActiveLow: true, Rising: true, Bias: periph.PullUp, Debounce: 5e6}
	if got := decodeInfo(raw); got != want {
		t.Errorf("got %+v, want %+v", got, want)
	}
}

// encode is the inverse of decode.
func encode(records ...record) []byte { return encodeInto(nil, records) }

func encodeInto(b []byte, records []record) []byte {
	for _, r := range records {
		id := uint32(unix.GPIO_V2_LINE_EVENT_FALLING_EDGE)
		if r.level == 1 {
			id = unix.GPIO_V2_LINE_EVENT_RISING_EDGE
		}
		b = binary.NativeEndian.AppendUint64(b, uint64(r.at))
		for _, v := range [10]uint32{id, r.offset, r.seqno, r.lineSeqno} {
			b = binary.NativeEndian.AppendUint32(b, v)
		}
	}
	return b
}

func TestDecode(t *testing.T) {
	want := []record{{1, 2, 3, 4, 1}, {rig.Never - 1, 1<<32 - 1, 1<<32 - 1, 1<<32 - 1, 0}}
	got, err := decode(nil, encode(want...))
	if err != nil || !slices.Equal(got, want) {
		t.Errorf("got %v, %v, want %v", got, err, want)
	}
	bad := map[string][]byte{
		"a torn event":        encode(want...)[:90],
		"an unknown kind":     append(make([]byte, 8), append([]byte{3}, make([]byte, 39)...)...),
		"a stamp past Never":  encode(record{at: -1}),
		"a stamp equal Never": encode(record{at: rig.Never}),
	}
	for name, b := range bad {
		if _, err := decode(nil, b); err == nil {
			t.Errorf("%s was accepted", name)
		}
	}
}

// FuzzDecode: whatever bytes come, decoding neither panics nor invents events,
// and what it accepts is checked and delivered, each edge once.
func FuzzDecode(f *testing.F) {
	f.Add(encode(record{10, 0, 1, 1, 1}, record{20, 1, 2, 1, 1}, record{30, 0, 3, 2, 0}))
	f.Add(encode(record{10, 0, 7, 9, 0}, record{5, 0, 1<<31 + 7, 1<<31 + 9, 0}, record{6, 1, 2, 1, 1}))
	f.Add(make([]byte, 50))
	f.Fuzz(func(t *testing.T, b []byte) {
		records, err := decode(nil, b)
		if err == nil && len(records) != len(b)/recordSize {
			t.Fatalf("%d events from %d bytes", len(records), len(b))
		}
		if again, err := decode(nil, encode(records...)); err != nil || !slices.Equal(again, records) {
			t.Fatalf("%v became %v, %v", records, again, err)
		}
		q := newQueue(1024)
		tr := newTracker([]trackedLine{{offset: 0, id: 0}, {offset: 1, id: 1}}, 0, 0, q.push)
		q.follow(tr)
		accepted := 0
		for _, r := range records {
			if q.add(tr, []record{r}, r.at) == nil {
				accepted++
			}
		}
		edges := 0
		for ev, ok, _, _ := q.pop(rig.Never, rig.Never); ok; ev, ok, _, _ = q.pop(rig.Never, rig.Never) {
			if ev.Kind == rig.Edge {
				edges++
			} else if ev.Value < 0 {
				t.Fatalf("gap of negative length: %+v", ev)
			}
		}
		if len(records) < 100 && edges != accepted {
			t.Fatalf("%d edges from %d events", edges, accepted)
		}
	})
}

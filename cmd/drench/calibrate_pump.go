package main

import (
	"context"
	"errors"
	"fmt"
	"io"
	"math"
	"text/tabwriter"
	"time"

	"drench/drivers/virtual"
	"drench/rig"
	"drench/rig/calibration"
	"drench/rig/config"
	"drench/rig/engine"

	"github.com/spf13/cobra"
	"periph.io/x/conn/v3/physic"
)

// pumpFlags say how a pump is weighed.
type pumpFlags struct {
	keeping
	channel, flow             string
	on                        []string
	n, starts                 int
	empty                     bool
	data                      string
	seed                      uint64
	temperature, temperatureU string
	humidity, humidityU       string
	pressure, pressureU       float64
	balanceU                  float64
	lost, lostU               float64
}

func newCalibratePump() *cobra.Command {
	var f pumpFlags
	cmd := &cobra.Command{
		Use:   "pump",
		Short: "Calibrate a pump by weighing what it delivers, after ISO 8655-6",
		Long: "Calibrate a pump by weighing what it delivers, after ISO 8655-6: prime, throw a dose away, then weigh doses of two\n" +
			"or more times. The rate is fitted with a start offset of its own; drops are counted where there is a drop gate.\n" +
			"On the virtual bench the balance is simulated. --data evaluates weighings made elsewhere.",
		Args: cobra.NoArgs,
		RunE: func(cmd *cobra.Command, _ []string) error {
			b, err := loadBench(cmd, "")
			if err != nil {
				return err
			}
			r, err := calibratePump(cmd.Context(), b, &f, newTerminal(cmd))
			if err != nil {
				return err
			}
			return f.print(cmd.OutOrStdout(), r, pumpSentence(r), func(w io.Writer) error { return printDoses(w, r.Pump) })
		},
	}
	f.flags(cmd)
	return cmd
}

func (f *pumpFlags) flags(cmd *cobra.Command) {
	f.keeping.flags(cmd)
	fl := cmd.Flags()
	fl.StringVar(&f.channel, "channel", rig.PumpDrip, rig.PumpDrip+" or "+rig.PumpSpray)
	fl.StringVar(&f.flow, "flow", "", "`flow` to ask for (default: what the rig file asks for: calibration.drip.flow, or else its rate)")
	fl.StringArrayVar(&f.on, "on", []string{"3 s", "30 s"}, "`time` that the pump runs for a dose; give two different ones or more, far apart")
	fl.IntVar(&f.n, "n", 10, "doses of each time (ISO 8655-6 takes ten)")
	fl.IntVar(&f.starts, "starts", 20, "doses of one drop, to find the lag by the drop gate; 0: none")
	fl.BoolVar(&f.empty, "empty-tube", false, "the tube is empty at first, so that its volume is found while it fills (the virtual bench's is)")
	fl.StringVar(&f.data, "data", "", "CSV `file` with columns on, mass_mg and perhaps drops, instead of running the pump")
	fl.Uint64Var(&f.seed, "seed", 1, "seed of the virtual bench")
	fl.StringVar(&f.temperature, "temperature", "", "`temperature` of water and air, such as \"21.5 °C\"")
	fl.StringVar(&f.temperatureU, "temperature-u", "0.5 K", "its standard uncertainty")
	fl.StringVar(&f.humidity, "humidity", "50 %RH", "`humidity` of the air")
	fl.StringVar(&f.humidityU, "humidity-u", "10 %RH", "its standard uncertainty")
	fl.Float64Var(&f.pressure, "pressure-hpa", 0, "pressure of the air at the balance, not reduced to sea level")
	fl.Float64Var(&f.pressureU, "pressure-u-hpa", 5, "its standard uncertainty")
	fl.Float64Var(&f.balanceU, "balance-u-mg", 0, "standard uncertainty of a net mass, from the balance's certificate")
	fl.Float64Var(&f.lost, "evaporation-mg", 0, "what is lost during a weighing; it is added back")
	fl.Float64Var(&f.lostU, "evaporation-u-mg", 0, "its standard uncertainty")
}

func calibratePump(ctx context.Context, b *bench, f *pumpFlags, t *terminal) (*calibration.Record, error) {
	simulated := !b.isReal() && f.data == ""
	switch {
	case f.channel != rig.PumpDrip && f.channel != rig.PumpSpray:
		return nil, fmt.Errorf("--channel %q; expected %s or %s", f.channel, rig.PumpDrip, rig.PumpSpray)
	case simulated && f.channel != rig.PumpDrip:
		return nil, fmt.Errorf("the virtual bench has no beaker under its %s; give weighings by --data, or the --rig file of a real bench", f.channel)
	case f.n < 2 || f.n > 1000:
		return nil, fmt.Errorf("--n %d; expected 2 to 1000 doses of each time", f.n)
	case f.starts != 0 && (f.starts < 5 || f.starts > 1000):
		return nil, fmt.Errorf("--starts %d; expected 0, or 5 to 1000 doses of one drop", f.starts)
	}
	if simulated {
		f.simulate(b)
	}
	times, err := f.times(b.rig.Interlock.PumpOn)
	if err == nil {
		err = f.check(f.channel)
	}
	if err == nil {
		err = f.askAll(ctx, t)
	}
	if err != nil {
		return nil, err
	}
	p, err := f.pump(b.rig.Calibration.Drip)
	if err != nil {
		return nil, err
	}
	if f.data != "" {
		p.Weighings, err = readData(f.data, parseWeighings)
	} else {
		err = b.guarded(ctx, "pump", f.seed, func(ctx context.Context, run *engine.Run, world running) error {
			t.idle = run.Wait
			d := dosing{run: run, cal: b.rig.Calibration.Drip, pump: p, times: times, n: f.n, scale: &handScale{t}, most: b.rig.Interlock.PumpOn,
				whole: b.rig.Calibration, starts: f.starts, empty: f.empty || simulated}
			if v, ok := world.(*virtual.Bench); ok {
				if d.scale, err = newSimulatedScale(v, p, f.seed); err != nil {
					return err
				}
			}
			return d.do(ctx)
		})
	}
	if err != nil {
		return nil, err
	}
	return f.keep(calibration.Record{Pump: p})
}

// simulate fills in what the virtual bench knows of its weighing room.
func (f *pumpFlags) simulate(b *bench) {
	set := func(to *string, v string) {
		if *to == "" {
			*to = v
		}
	}
	set(&f.by, "the virtual bench")
	set(&f.instrument, "a simulated balance")
	set(&f.temperature, fmt.Sprintf("%.3f °C", float64(b.world.Chamber.RoomTemp-physic.ZeroCelsius)/1e9))
	if f.pressure == 0 {
		f.pressure = 1013.25
	}
	if f.balanceU == 0 {
		f.balanceU = 0.2
	}
}

// askAll asks for what no flag gave.
func (f *pumpFlags) askAll(ctx context.Context, t *terminal) error {
	for _, ask := range []func() error{
		func() error { return f.ask(ctx, t) },
		func() error {
			return t.fill(ctx, &f.temperature, "temperature", "Temperature of the water, such as 21.5 °C?")
		},
		func() error {
			return t.number(ctx, &f.pressure, "pressure-hpa", "Pressure of the air at the balance in hPa?")
		},
		func() error {
			return t.number(ctx, &f.balanceU, "balance-u-mg", "Standard uncertainty of a net mass in mg?")
		},
	} {
		if err := ask(); err != nil {
			return err
		}
	}
	return nil
}

// times are the on-times of the doses; most is what the interlocks allow.
func (f *pumpFlags) times(most time.Duration) ([]time.Duration, error) {
	var times []time.Duration
	different := map[time.Duration]bool{}
	for _, text := range f.on {
		n, err := rig.ParseAs(text, rig.Second)
		if err != nil {
			return nil, fmt.Errorf("--on: %w", err)
		}
		on := time.Duration(n)
		if on <= 0 || most > 0 && on >= most {
			return nil, fmt.Errorf("--on %s; expected more than 0 and less than %v, the rig file's interlock.pump_on", text, most)
		}
		if !different[on] {
			times = append(times, on)
		}
		different[on] = true
	}
	if len(times) < 2 {
		return nil, fmt.Errorf("--on gives %d time; expected two different ones or more, so that rate and start offset can be told apart", len(times))
	}
	return times, nil
}

// pump reads the flags into a calibration that has no weighings yet.
func (f *pumpFlags) pump(known rig.DripCal) (*calibration.Pump, error) {
	p := &calibration.Pump{Channel: f.channel, Flow: known.Asked(),
		Air:     calibration.Air{Pressure: calibration.Hectopascal(f.pressure), PressureU: calibration.Hectopascal(f.pressureU)},
		Balance: calibration.Balance{U: calibration.Milligram(f.balanceU), Evaporation: calibration.Milligram(f.lost), EvaporationU: calibration.Milligram(f.lostU)}}
	for _, q := range []struct {
		flag, text string
		unit       rig.Unit
		set        func(int64)
	}{
		{"flow", f.flow, rig.LitreRate, func(n int64) { p.Flow = rig.Flow(n) }},
		{"temperature", f.temperature, rig.Kelvin, func(n int64) { p.Air.Temperature = physic.Temperature(n) }},
		{"temperature-u", f.temperatureU, rig.Kelvin, func(n int64) { p.Air.TemperatureU = physic.Temperature(n) }},
		{"humidity", f.humidity, rig.RelHum, func(n int64) { p.Air.Humidity = physic.RelativeHumidity(n) }},
		{"humidity-u", f.humidityU, rig.RelHum, func(n int64) { p.Air.HumidityU = physic.RelativeHumidity(n) }},
	} {
		if q.flag == "flow" && q.text == "" {
			continue
		}
		n, err := rig.ParseAs(q.text, q.unit)
		if err != nil {
			return nil, fmt.Errorf("--%s: %w", q.flag, err)
		}
		q.set(n)
	}
	if p.Channel == rig.PumpDrip {
		p.Hanging = known.Drop
	}
	if p.Flow <= 0 {
		return nil, errors.New("the rig file has no calibration.drip.rate; give the flow to ask for by --flow")
	}
	for _, q := range append(p.Air.Check(), p.Balance.Check()...) {
		return nil, wrongFlag(q)
	}
	return p, nil
}

// wrongFlag says a problem of a record as one of the flag that it came by.
func wrongFlag(q config.Problem) error { return fmt.Errorf("%s; expected %s", q.What, q.Want) }

// pumpSentence is the result.
func pumpSentence(r *calibration.Record) string {
	p, v := r.Pump, r.Pump.Result
	s := fmt.Sprintf("%s gives %v where %v is asked for: standard uncertainty %v (%s %%), %s %% off.", p.Channel, rig.Of(v.Rate), rig.Of(p.Flow), rig.Of(v.RateU),
		rig.Significant(100*float64(v.RateU)/float64(v.Rate), 2), rig.Significant(100*(float64(v.Rate)/float64(p.Flow)-1), 2))
	if v.Drop > 0 {
		s += fmt.Sprintf(" A drop is %v (u %v).", rig.Of(v.Drop), rig.Of(v.DropU))
	}
	if p.Starts != nil {
		v := p.Starts.Result
		s += fmt.Sprintf(" The first drop is on the sensor %v after the command (u %v).", rig.Of(v.Lag), rig.Of(v.LagU))
		if v.Line > 0 {
			s += fmt.Sprintf(" The tube holds %v (u %v).", rig.Of(v.Line), rig.Of(v.LineU))
		}
	}
	return s
}

// printDoses prints the gravimetry of each time.
func printDoses(w io.Writer, p *calibration.Pump) error {
	doses, err := p.Doses()
	if err != nil {
		return err
	}
	z, uz, err := p.Air.Z()
	if err != nil {
		return err
	}
	t := tabwriter.NewWriter(w, 0, 0, 2, ' ', 0)
	fmt.Fprintln(t, "time\tn\tnominal\tmean\tu(mean)\tsystematic error\ts\tCV")
	for _, d := range doses {
		fmt.Fprintf(t, "%v\t%d\t%.2f µl\t%.2f µl\t%.2f µl\t%.2f µl (%.2f %%)\t%.2f µl\t%.2f %%\n", d.On, d.N, d.Nominal, d.Mean, d.U,
			d.Systematic, 100*d.SystematicShare(), d.SD, 100*d.CV())
	}
	if err := t.Flush(); err != nil {
		return err
	}
	fmt.Fprintf(w, "Z %.6f µl/mg (u %.6f); start offset %v (u %v)\n", z, uz, rig.Of(p.Result.Offset), rig.Of(p.Result.OffsetU))
	for _, remark := range p.Remarks() {
		fmt.Fprintf(w, "note: %s\n", remark)
	}
	if off := math.Abs(float64(p.Result.Rate)/float64(p.Flow) - 1); p.Channel == rig.PumpSpray && off > 2*float64(p.Result.RateU)/float64(p.Flow) {
		_, err = fmt.Fprintf(w, "note: the pump is off by more than its uncertainty; with this record rains count as %s %% uncertain. On a real bench, give the pump's section of the rig file what was measured, and calibrate again\n",
			rig.Significant(100*off, 2))
	}
	return err
}

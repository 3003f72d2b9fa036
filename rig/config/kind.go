package config

// ReadFile reads a file as it stands, for those who parse it themselves. A
// file larger than [Decode] takes is cut one byte beyond that.
func ReadFile(name string) (Source, error) { return readFile(name) }

// IsRig tells a rig file from a DUT profile: the one has a bench. Text that is
// no YAML is neither; it counts as a rig file, whose reader then complains.
func IsRig(text []byte) bool {
	t := parse("", text)
	if t.err() != nil {
		return true
	}
	r := t.rules()
	return r.has("bench") || !r.has("sampling")
}

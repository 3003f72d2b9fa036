package config

// ReadFile reads a file as it stands, for those who parse it themselves. A
// file larger than [Decode] takes is cut one byte beyond that.
func ReadFile(name string) (Source, error) { return readFile(name) }

// Kind is what a YAML file of drench describes.
type Kind string

// Kinds of file.
const (
	RigFile     Kind = "rig file"
	Profile     Kind = "DUT profile"
	Calibration Kind = "calibration record"
	Sweep       Kind = "sweep"
)

// KindOf tells what a file describes, by a key that only this kind has. What
// has none of them, or is no YAML, counts as a rig file, whose reader then
// complains.
func KindOf(text []byte) Kind {
	t := parse("", text)
	if t.unreadable {
		return RigFile
	}
	r := t.rules()
	switch {
	case r.has("bench"):
		return RigFile
	case r.has("sampling"):
		return Profile
	case r.has("expires"):
		return Calibration
	case r.has("sweep"):
		return Sweep
	}
	return RigFile
}

//! A second, smaller account of one enclosure's incident, against which all short sequences of events are checked.

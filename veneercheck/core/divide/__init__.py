"""The surface divided: cut, finish line, beads, places in words, zones beyond a limit.

How the framework is divided
----------------------------
Let s be the signed distance from a framework point to the nearest contour point whose normal agrees
within 60°, and u its standard uncertainty.

- uncut: |s| is at most 3 u or 0.05 mm, whichever is larger. This is also what the alignment rests
  on.
- cut: connected surface with s of 0.3 mm or more over at least 1 mm², grown from there down to the
  finish line, where s reaches 3 u or 0.05 mm; or what stands out beyond a sharp margin begins.
- finish-line band: cut points whose contour point lies within 0.8 mm (the profile's `width_mm`) of
  the finish line, measured on the contour, or of the point itself as seen square to the contour
  there. There the space asked for grows evenly from nothing at the line to the full amount (least
  layer, opaquer and beads together) at the band's end, so that a sound chamfer raises nothing.
- island: an uncut spot of at least 0.25 mm² that one cut area encloses. It is a question, «not cut:
  a metal stop?», and becomes a finding only where the case forbids metal stops. An island casts no
  finish-line band; a thin flank that ends within that width round it belongs to the question; one
  that reaches at least the smallest zone's area farther, or that of a spot standing proud of the
  contour, is a zone, all of it, and amounts run out towards the island. In a dentine build-up no
  island is seen unless it was painted: a spot at the contour has no room for what comes last.
- fitting surface: the inside of a retainer, where the ray meets the framework itself first. Its
  roof, over a wax-up closed below, counts as bare metal.
- retention beads are recognised where the scan's triangles are well under half a bead across: at
  least twelve round bumps alike. They are taken off before anything is measured, so that space and
  layer count from the base between them; how many there are, and how much covers their tops, is
  told, and a cover below the profile's `least_cover_mm` is a finding.
- sprue, handle, pin: what stands more than 1.5 mm out of the contour is left out, with its foot,
  and told.
- putty, gum or model that lies lower than in the wax-up's scan: what looks cut, is parted from all
  other cut, is nowhere cut to full depth, meets the work in a groove and goes on to the end of the
  scan. It is left out, and asked about; painted, it is what it was painted as.
- end not seen: where the layer tapers towards the end of both scans, they end it as a finish line
  would, and no distance from the finish line is told nearer to there.
- not seen: where neither ray nor contour could be read (a hole of the wax-up scan, or beyond its
  edge), what cut surface borders for the greater part counts as cut and not measured; the rim of a
  hole is no contour for what lies under the hole.
- everything else, bare metal and model, shares one code: without a mask they cannot be told apart.

A mask painted as vertex colours in a PLY overrides all of it: on the framework's scan itself, or on
a copy of it (`--reference`, or `painted` in the case file).
"""

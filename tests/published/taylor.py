"""The mean inlet Mach index and what it means for filling.

C. F. Taylor, The Internal-Combustion Engine in Theory and Practice, vol. 1, ch. 6 (figure of
volumetric efficiency against Z), and the dictionary of the Japan Society of Mechanical Engineers,
"mean inlet Mach number". The dictionary's entry (11:1002813) was read; the figure in Taylor is from
memory, in words: up to Z of about 0.5 volumetric efficiency hardly depends on Z; beyond 0.5 to 0.6
it falls off sharply.
"""

FLAT_UP_TO = 0.5
FALLS_FROM = 0.6

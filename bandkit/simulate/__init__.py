"""Slabs with a known answer, from a physical forward model: a teaching set and a test bed.

The model runs in the order of nature; each step documents its equations and sources:

``growth``
    extension and density through time; thickening over the tissue layer; the annual marks
``colony``, ``texture``
    domed and bumpy isochrons in the slab; corallites, borings
``beam``
    Beer-Lambert transmission, heel effect and distance, counting noise, blur, stored greys
``camera``
    uneven light, lens, noise, sRGB
``radiograph``, ``photograph``, ``luminescence``
    the three kinds of image, each with its slab record and its `Truth`
``write``, ``demo``
    practice sets and the demo slabs on disk

What "truth" means: a mark lies where the annual season of density, after thickening, is largest on the growth
axis; it crosses a track where the isochron of that depth does. Doublets and stress bands are
not marks. Extension of a year is measured square to the bands; density is the bands' own, without
texture and borings; calcification is their product.
"""

from bandkit.simulate.beam import BeamDesign
from bandkit.simulate.camera import CameraDesign
from bandkit.simulate.colony import SlabDesign
from bandkit.simulate.demo import write_demo_images
from bandkit.simulate.growth import GrowthDesign
from bandkit.simulate.luminescence import LuminescenceDesign, simulate_luminescence
from bandkit.simulate.pair import SimulatedPair, simulate_pair
from bandkit.simulate.photograph import PhotographDesign, simulate_photograph
from bandkit.simulate.radiograph import RadiographDesign, random_design, simulate_radiograph
from bandkit.simulate.truth import SimulatedSlab, TrackTruth, Truth
from bandkit.simulate.write import write_practice_set, write_simulated

__all__ = [
    "BeamDesign", "CameraDesign", "GrowthDesign", "LuminescenceDesign", "PhotographDesign", "RadiographDesign",
    "SimulatedPair", "SimulatedSlab", "SlabDesign", "TrackTruth", "Truth", "random_design", "simulate_luminescence",
    "simulate_pair", "simulate_photograph", "simulate_radiograph", "write_demo_images", "write_practice_set",
    "write_simulated",
]

"""The hammer's contact, the sound on its way to the microphone, and the noises around it."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.integrate import solve_ivp

from rig.virtual import noise, tapping
from rig.virtual.plate.mesh import triangulate
from rig.virtual.plate.modes import PlateModes
from rig.virtual.shapes import violin_outline
from rig.virtual.sound import Room, loss_factor, microphone_answers
from rig.virtual.tapping import STEP_RATE_HZ, Hammer, collide, converter_taps, sampled_force

STEPS = int(0.008 * STEP_RATE_HZ)
LOSSLESS = Hammer(surface_loss=0.0, retract_n=0.0)


def test_hertz_contact_with_an_immovable_plate() -> None:
    """Hertz: duration 2.9432·α/v, α = (5mv²/4K)^0.4, peak K·α^1.5; the hammer keeps its speed."""
    contact = collide(LOSSLESS, 6e7, 0.5, np.zeros(STEPS))
    squeeze = (5.0 * 1.1e-3 * 0.25 / (4.0 * 6e7)) ** 0.4
    (start, stop), *more = contact.intervals_s
    assert not more
    assert stop - start == pytest.approx(2.9432 * squeeze / 0.5, rel=0.03)
    assert contact.force_n.max() == pytest.approx(6e7 * squeeze**1.5, rel=0.01)
    assert contact.rebound_speed_m_s == pytest.approx(0.5, rel=0.01)
    assert contact.impulse_n_s == pytest.approx(2 * 1.1e-3 * 0.5, rel=0.01)


@pytest.mark.parametrize("mobility", [0.01, 0.03, 0.1])
def test_an_unbounded_plate_takes_energy_as_zener_says(mobility: float) -> None:
    """Zener, Phys. Rev. 59 (1941) 669: the plate yields at F·Y. His equations, integrated apart."""

    def motion(_t: float, state: np.ndarray) -> list[float]:
        squeeze, speed = state
        push = 6e7 * max(squeeze, 0.0) ** 1.5
        return [speed - push * mobility, -push / 1.1e-3]

    def leaves(_t: float, state: np.ndarray) -> float:
        return float(state[0])

    leaves.terminal, leaves.direction = True, -1  # type: ignore[attr-defined]
    run = solve_ivp(motion, (0, 3e-3), [1e-12, 0.5], events=leaves, rtol=1e-9, atol=1e-14)
    contact = collide(LOSSLESS, 6e7, 0.5, np.full(STEPS, mobility))
    assert contact.rebound_speed_m_s == pytest.approx(-run.y[1, -1], abs=0.01)
    assert contact.intervals_s[0][1] == pytest.approx(run.t[-1], rel=0.03)


def test_a_plate_that_swings_back_is_struck_twice() -> None:
    """One light mode under a heavy hammer: it bounces back into the hammer."""
    time = np.arange(STEPS) / STEP_RATE_HZ
    omega, modal_kg = 2 * np.pi * 900.0, 1e-3
    answer = np.sin(omega * time) / (omega * modal_kg)
    contact = collide(Hammer(mass_kg=4e-3, surface_loss=0.0, retract_n=0.0), 6e7, 0.5, answer)
    assert len(contact.intervals_s) >= 2
    took = np.sum(contact.force_n * np.exp(1j * omega * time[: len(contact.force_n)]))
    energy = 0.5 * np.abs(took / STEP_RATE_HZ) ** 2 / modal_kg
    energy += 0.5 * 4e-3 * contact.rebound_speed_m_s**2
    assert energy == pytest.approx(0.5 * 4e-3 * 0.5**2, rel=0.01)
    gaps = [b[0] - a[1] for a, b in zip(contact.intervals_s, contact.intervals_s[1:], strict=False)]
    assert min(gaps) > 0
    for (_a, stop), (again, _b) in zip(contact.intervals_s, contact.intervals_s[1:], strict=False):
        between = contact.force_n[round(stop * STEP_RATE_HZ) : round(again * STEP_RATE_HZ)]
        assert np.all(between == 0.0)


def test_momentum_is_conserved_with_a_free_mass() -> None:
    """Plate = one free mass: two bodies, elastic Hertz contact, textbook velocities."""
    mass = 3e-3
    answer = np.arange(STEPS) / STEP_RATE_HZ / mass
    contact = collide(LOSSLESS, 6e7, 0.5, answer)
    expected = -0.5 * (1.1e-3 - mass) / (1.1e-3 + mass)
    assert contact.rebound_speed_m_s == pytest.approx(expected, rel=0.02)


@pytest.mark.parametrize(("tip", "shortest", "longest"), [
    ("hard", 1e-4, 3e-4), ("medium", 3e-4, 9e-4), ("soft", 9e-4, 3e-3),
])  # fmt: skip
def test_softer_tips_stay_longer(tip: str, shortest: float, longest: float) -> None:
    hammer = Hammer(tip=tip)
    contact = collide(hammer, hammer.stiffness, 0.5, np.full(STEPS, 0.02))
    assert shortest < contact.intervals_s[0][1] < longest


def test_pulse_length_sets_the_speed() -> None:
    hammer = Hammer()
    assert hammer.speed_m_s(300) == 0.0
    assert hammer.speed_m_s(3000) == pytest.approx(0.5)
    assert 1.1 < hammer.speed_m_s(6000) < 1.3


def test_local_yield_has_the_compliance_of_the_missing_modes() -> None:
    """Modes between 13 and 200 kHz of a big plate, summed one by one, against the closed form."""
    bending, area_density = 9.0, 1.9
    kernel = tapping.local_yield(13_000.0, bending, area_density)
    compliance = kernel.sum() / STEP_RATE_HZ
    area = 1.0
    density_of_modes = area / (4 * np.pi) * np.sqrt(area_density / bending)  # per rad/s
    omega = 2 * np.pi * np.linspace(13e3, 4e6, 400_000)
    summed = np.sum(density_of_modes / (area_density * area * omega**2)) * (omega[1] - omega[0])
    assert compliance == pytest.approx(summed, rel=0.02)


@pytest.mark.parametrize("fraction", [0.0, 0.25, 0.7])
def test_converter_keeps_impulse_and_places_it_between_samples(fraction: float) -> None:
    contact = collide(LOSSLESS, 6e7, 0.5, np.zeros(STEPS))
    force = sampled_force(contact, fraction)
    assert force.sum() / 48_000 == pytest.approx(contact.impulse_n_s, rel=2e-3)
    centre = np.sum(np.arange(len(force)) * force) / force.sum() / 48_000
    fine = np.arange(len(contact.force_n)) / STEP_RATE_HZ
    expected = np.sum(fine * contact.force_n) / contact.force_n.sum()
    expected += fraction / 48_000 + tapping.CONVERTER_DELAY_S
    assert centre == pytest.approx(expected, abs=1e-6)
    assert converter_taps(fraction).sum() == pytest.approx(1.0)


def piston(hz: float) -> PlateModes:
    """A plate of which one triangle moves, as a single mode of unit amplitude."""
    mesh = triangulate(violin_outline(), 25.0)
    dofs = np.arange(15 * len(mesh.triangles)).reshape(-1, 15)
    middle = mesh.points_mm[mesh.triangles].mean(axis=1)
    near = np.argmin(np.sum((middle - np.array([0.0, 180.0])) ** 2, axis=1))
    nodal = np.zeros((dofs.size, 1))
    nodal[dofs[near], 0] = 1.0  # all values of a Lagrange quartic are 1: so is the field
    return PlateModes(np.array([hz]), nodal, dofs, mesh, 0.1)


def test_sound_arrives_after_its_way_through_the_air_with_a_piston_s_pressure() -> None:
    """A small source of area S in a baffle: |p| = ρ0·S·|a|/(2πr) at r, delayed by r/c."""
    plate = piston(1000.0)
    places, areas, shapes = plate.sampled()
    moving = shapes[:, 0] > 0.5
    source = np.average(places[moving], axis=0, weights=areas[moving])
    microphone = (float(source[0]), float(source[1]), 250.0)
    loss = loss_factor(np.array([1000.0]))
    answer = microphone_answers(
        plate, np.array([1000.0]), loss, np.zeros(len(places)), microphone, temperature_c=20.0
    )[0]
    arrival = 0.25 / 343.4 * 48_000
    assert np.abs(answer[: int(arrival) - 12]).max() < 0.02 * np.abs(answer).max()
    later = answer[int(arrival) + 30 : int(arrival) + 30 + 480]
    omega = 2 * np.pi * 1000.0
    expected = 1.204 * areas[moving].sum() * omega / (2 * np.pi * 0.25)
    assert np.abs(later).max() == pytest.approx(expected, rel=0.06)


def test_ring_decays_with_the_loss_factor() -> None:
    plate = piston(800.0)
    places, _areas, _shapes = plate.sampled()
    hz, loss = np.array([800.0]), loss_factor(np.array([800.0]))
    answer = microphone_answers(plate, hz, loss, np.zeros(len(places)), (0.0, 180.0, 200.0))[0]
    early, late = answer[2400:4800].astype(float), answer[7200:9600].astype(float)
    ratio = np.sqrt(np.mean(late**2) / np.mean(early**2))
    assert ratio == pytest.approx(np.exp(-0.5 * loss[0] * 2 * np.pi * 800.0 * 0.1), rel=0.02)


def test_a_room_adds_echoes_later_than_the_direct_sound() -> None:
    plate = piston(3000.0)
    places, _areas, _shapes = plate.sampled()
    hz, loss = np.array([3000.0]), np.array([0.3])  # a click, so that echoes stand alone
    dry, wet = (
        microphone_answers(
            plate, hz, loss, np.zeros(len(places)), (60.0, 200.0, 200.0), room=room, seed=3
        )[0].astype(float)
        for room in (None, Room())
    )
    first_echo = np.flatnonzero(np.abs(wet - dry) > 0.02 * np.abs(dry).max())[0] / 48_000
    assert 0.002 < first_echo < 0.02
    tail = wet[4800:9600] - dry[4800:9600]
    later = wet[12_000:16_800] - dry[12_000:16_800]
    decay_db = 10 * np.log10(np.sum(tail**2) / np.sum(later**2))
    assert decay_db == pytest.approx(60.0 * 0.15 / 0.3, abs=7.0)


def test_noise_is_one_continuous_sound_however_it_is_read() -> None:
    spec = noise.NoiseSpec()
    whole = noise.room_noise(spec, 4).samples(1000, 30_000)
    other = noise.room_noise(spec, 4)
    parts = [other.samples(1000 + k * 700, 700) for k in reversed(range(42))]
    np.testing.assert_allclose(np.concatenate(parts[::-1]), whole[: 42 * 700], atol=1e-15)
    assert len(other.samples(5, 0)) == 0
    long = noise.room_noise(spec, 5).samples(0, 400_000)
    assert long.std() == pytest.approx(spec.room_pa, rel=0.1)
    spectrum = np.abs(np.fft.rfft(long)) ** 2
    hz = np.fft.rfftfreq(len(long), 1 / 48_000)
    low = spectrum[(hz > 100) & (hz < 300)].mean()
    high = spectrum[(hz > 3000) & (hz < 9000)].mean()
    assert low > 30 * high
    assert not np.allclose(noise.room_noise(spec, 6).samples(0, 100), long[:100])


def test_hum_keeps_its_phase_across_blocks() -> None:
    spec = noise.NoiseSpec()
    whole = noise.hum(spec, 0, 4000)
    np.testing.assert_allclose(
        np.concatenate([noise.hum(spec, 0, 1500), noise.hum(spec, 1500, 2500)]), whole
    )
    spectrum = np.abs(np.fft.rfft(noise.hum(spec, 0, 48_000)))
    assert int(np.argmax(spectrum)) == 50


def test_clack_is_short_and_comes_before_the_contact() -> None:
    spec = noise.NoiseSpec()
    sound, felt = noise.clack(spec, np.random.default_rng(1))
    assert np.abs(sound).max() == pytest.approx(spec.clack_pa)
    assert np.abs(felt).max() == pytest.approx(spec.clack_n)
    assert len(sound) / 48_000 <= 0.0081
    assert np.abs(sound[-10:]).max() < 0.01 * spec.clack_pa
    other, _ = noise.clack(spec, np.random.default_rng(2))
    assert not np.allclose(sound, other)

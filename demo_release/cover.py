"""Draw the cover of the demo release: an estuary at slack water with a ferry and its lantern."""

import numpy as np
from PIL import Image, ImageDraw, ImageFilter, ImageFont
from scipy.ndimage import gaussian_filter, map_coordinates

SIZE = 1500
DRAWN = 2 * SIZE  # shapes are drawn at twice the size and reduced, for smooth edges
HORIZON = 0.53
LANTERN = (0.662, 0.503)
FERRY_FOOT = 0.574
TITLE = ("Songs for", "Slack Water")
ARTIST = "The Halden Ferry Singers"
INK = (16, 27, 36)
PAPER = (240, 226, 200)
LIGHT = (255, 196, 112)
WEED = (11, 23, 25)
RIM = (104, 88, 70)


def as_picture(pixels: np.ndarray) -> Image.Image:
    """Return float pixels as a picture with an opaque alpha channel."""
    return Image.fromarray(pixels.clip(0, 255).astype(np.uint8)).convert("RGBA")


def blended(heights: np.ndarray, stops: list[tuple[float, tuple[int, int, int]]]) -> np.ndarray:
    """Return the colour at each height of a vertical gradient."""
    at, colours = zip(*stops, strict=True)
    return np.stack([np.interp(heights, at, channel) for channel in zip(*colours, strict=True)], -1)


def sky(size: int, rng: np.random.Generator) -> np.ndarray:
    """Return the dusk above the horizon as a float picture with bands of thin cloud."""
    rows = int(size * HORIZON)
    heights = np.linspace(0, 1, rows)
    colours = blended(
        heights,
        [
            (0, (22, 42, 58)),
            (0.4, (52, 84, 98)),
            (0.72, (128, 140, 132)),
            (0.9, (206, 172, 132)),
            (1, (226, 176, 122)),
        ],
    )
    picture = np.repeat(colours[:, None, :], size, axis=1)
    cloud = sum(
        gaussian_filter(rng.standard_normal((rows, size)), (height, width), mode="wrap")
        * np.sqrt(height * width)
        for height, width in ((5, 130), (11, 210), (2.5, 65))
    )
    cloud = np.clip(cloud / cloud.std() - 0.35, 0, 2) * np.sin(np.pi * heights**1.4)[:, None]
    tint = blended(heights, [(0, (60, 84, 98)), (0.6, (178, 154, 138)), (1, (246, 196, 140))])
    amount = 0.24 * cloud[..., None]
    return picture * (1 - amount) + tint[:, None, :] * amount


def reduced(drawn: Image.Image) -> Image.Image:
    """Return drawn shapes at the size of the cover."""
    return drawn.resize((SIZE, SIZE), Image.Resampling.LANCZOS)


def banks(rng: np.random.Generator) -> Image.Image:
    """Return the low far banks of the estuary on clear ground."""
    size = DRAWN
    picture = Image.new("RGBA", (size, size), (0, 0, 0, 0))
    draw = ImageDraw.Draw(picture)
    line = HORIZON * size
    position = np.arange(size + 1) / size
    for height, rough, colour, start, end in (
        (0.026, 260, (112, 120, 116, 255), -0.3, 0.72),
        (0.019, 200, (84, 100, 102, 255), 0.38, 1.3),
        (0.011, 120, (50, 68, 74, 255), -0.2, 0.34),
    ):
        ridge = gaussian_filter(rng.standard_normal(size + 1), rough, mode="nearest")
        ridge = 0.8 + 0.22 * ridge / ridge.std()
        trees = gaussian_filter(rng.standard_normal(size + 1), 7, mode="nearest")
        ridge += 0.035 * trees / trees.std()
        edge = np.clip((position - start) / 0.3, 0, 1) * np.clip((end - position) / 0.3, 0, 1)
        top = line - size * height * np.clip(ridge, 0.1, 2) * np.sin(edge * np.pi / 2)
        outline = zip(position * size, top, strict=True)
        draw.polygon([(0, line + 2), *outline, (size, line + 2)], fill=colour)
    return reduced(picture)


def ferry() -> Image.Image:
    """Return a flat ferry with a cabin, a mast, four singers and a lantern on clear ground."""
    size = DRAWN
    picture = Image.new("RGBA", (size, size), (0, 0, 0, 0))
    draw = ImageDraw.Draw(picture)

    def at(*points: tuple[float, float]) -> list[tuple[float, float]]:
        return [(x * size, y * size) for x, y in points]

    deck, water = 0.556, FERRY_FOOT
    x, y = LANTERN
    mast = x - 0.011
    draw.line(at((mast, y - 0.046), (mast + 0.085, 0.522)), fill=INK, width=3)
    draw.line(at((mast, y - 0.046), (0.549, deck - 0.006)), fill=INK, width=3)
    draw.rectangle(at((mast - 0.0016, y - 0.05), (mast + 0.0016, deck)), fill=INK)
    draw.line(at((mast, y - 0.012), (x, y - 0.012), (x, y)), fill=INK, width=3)
    draw.polygon(
        at(
            (0.545, deck - 0.010),
            (0.562, deck),
            (0.748, deck),
            (0.768, deck - 0.012),
            (0.757, water),
            (0.560, water),
        ),
        fill=INK,
    )
    draw.polygon(
        at(
            (0.690, deck),
            (0.690, 0.527),
            (0.684, 0.524),
            (0.738, 0.520),
            (0.733, 0.526),
            (0.733, deck),
        ),
        fill=INK,
    )
    draw.rectangle(at((0.700, 0.533), (0.710, 0.543)), fill=(222, 160, 92))
    draw.rectangle(at((0.716, 0.533), (0.725, 0.543)), fill=(204, 142, 82))
    for person, height in ((0.582, 0.031), (0.597, 0.034), (0.611, 0.030), (0.626, 0.033)):
        head = deck - height
        draw.ellipse(at((person - 0.0030, head - 0.0036), (person + 0.0030, head + 0.0040)), INK)
        draw.polygon(
            at(
                (person - 0.0012, head + 0.003),
                (person + 0.0012, head + 0.003),
                (person + 0.0050, head + 0.0066),
                (person + 0.0058, head + 0.019),
                (person + 0.0044, deck),
                (person - 0.0044, deck),
                (person - 0.0058, head + 0.019),
                (person - 0.0050, head + 0.0066),
            ),
            fill=INK,
        )
    return reduced(picture)


def post(x: float, top: float, foot: float, width: float, lean: float) -> Image.Image:
    """Return one mooring post from its head to the water, lit a little on the right side."""
    size = DRAWN
    picture = Image.new("RGBA", (size, size), (0, 0, 0, 0))
    draw = ImageDraw.Draw(picture)
    cap = 0.16 * width

    def across(part: float, height: float) -> tuple[float, float]:
        shift = lean * (foot - height) / (foot - top)
        return ((x + shift + (part - 0.5) * width) * size, height * size)

    draw.ellipse([across(0, foot - cap), across(1, foot + cap)], fill=WEED)
    draw.polygon([across(0, top), across(1, top), across(1, foot), across(0, foot)], fill=INK)
    weed = top + 0.66 * (foot - top)
    draw.polygon([across(0.85, top), across(1, top), across(1, weed), across(0.85, weed)], RIM)
    draw.polygon([across(0, weed), across(1, weed), across(1, foot), across(0, foot)], fill=WEED)
    draw.ellipse([across(0, top - cap), across(1, top + cap)], fill=(58, 68, 70))
    return reduced(picture)


def on_water(above: np.ndarray, size: int, rng: np.random.Generator) -> np.ndarray:
    """Return the water: the picture above mirrored in the horizon, stirred and darkened."""
    rows = size - int(size * HORIZON)
    line = int(size * HORIZON)
    near = np.linspace(0, 1, rows)
    ripple = sum(
        gaussian_filter(rng.standard_normal((rows, size)), (tall, wide), mode="wrap")
        * np.sqrt(tall * wide)
        for tall, wide in ((1.1, 23), (2.5, 60))
    )
    ripple /= ripple.std()
    reach = size * (0.0008 + 0.0055 * near[:, None])
    row = line - 1 - np.arange(rows)[:, None] * 0.98 + 1.9 * reach * ripple
    column = np.arange(size)[None, :] + 0.8 * reach * ripple
    mirrored = np.stack(
        [
            map_coordinates(above[:line, :, c], [row, column + 0 * row], order=1, mode="nearest")
            for c in range(3)
        ],
        axis=-1,
    )
    deep = np.array([18, 38, 48], float)
    amount = (0.16 + 0.5 * near**0.9)[:, None, None]
    water = mirrored * (1 - amount) + deep * amount
    water += (5 * near[:, None] * np.clip(ripple, -1.5, 2.5))[..., None] * np.array([0.8, 1, 1])
    return water


def glow(size: int) -> np.ndarray:
    """Return the light of the lantern and its path on the water, as a float picture to add."""
    y, x = np.mgrid[0:size, 0:size] / size
    distance = np.hypot(x - LANTERN[0], y - LANTERN[1])
    light = 1.3 * np.exp(-((distance / 0.0055) ** 2)) + 0.62 * np.exp(-distance / 0.016)
    light += 0.26 * np.exp(-distance / 0.08)
    return light[..., None] * np.array(LIGHT, float)


def lantern_path(size: int, rng: np.random.Generator) -> np.ndarray:
    """Return the broken reflection of the lantern as a float picture to add."""
    y, x = np.mgrid[0:size, 0:size] / size
    below = np.clip((y - 0.576) / (1 - 0.576), 0, 1)
    streaks = gaussian_filter(rng.standard_normal((size, size)), (1.5, 17), mode="wrap")
    streaks = np.clip(streaks / streaks.std() + 0.25, 0, 2.2)
    width = 0.006 + 0.020 * below
    path = np.exp(-(((x - LANTERN[0]) / width) ** 2)) * np.exp(-below / 0.33) * (y > 0.576)
    path *= np.clip((y - 0.576) / 0.01, 0, 1)
    return (0.75 * path * streaks)[..., None] * np.array(LIGHT, float)


def lettered(picture: Image.Image) -> Image.Image:
    """Return the picture with the title and the artist set in the font that Pillow carries."""
    size = picture.width
    layer = Image.new("RGBA", picture.size, (0, 0, 0, 0))
    draw = ImageDraw.Draw(layer)
    margin = 0.085 * size
    title = ImageFont.load_default(size=0.104 * size)
    for index, text in enumerate(TITLE):
        draw.text((margin, (0.090 + 0.112 * index) * size), text, PAPER, title, anchor="lt")
    small = ImageFont.load_default(size=0.0275 * size)
    x = margin + 0.004 * size
    for letter in ARTIST.upper():
        draw.text((x, 0.352 * size), letter, (*PAPER, 235), small, anchor="ls")
        x += draw.textlength(letter, small) + 0.0056 * size
    return Image.alpha_composite(picture.convert("RGBA"), layer).convert("RGB")


def mirror(
    picture: Image.Image, standing: Image.Image, foot: float, rng: np.random.Generator
) -> Image.Image:
    """Return the picture with the rippled reflection of a shape below its foot."""
    size = SIZE
    alpha = np.asarray(standing.getchannel("A"), float)
    rows = np.arange(size)[:, None]
    ripple = gaussian_filter(rng.standard_normal((size, size // 4)), (2.5, 5), mode="wrap")
    ripple = np.repeat(ripple / ripple.std(), 4, axis=1)
    depth = np.clip((rows / size - foot) / 0.3, 0, 1)
    row = 2 * foot * size - rows + 0 * ripple
    column = np.arange(size)[None, :] + size * (0.0006 + 0.007 * depth) * ripple
    fallen = map_coordinates(alpha, [row, column], order=1, mode="constant")
    fallen *= (rows >= foot * size) * (0.82 - 0.55 * depth)
    layer = Image.new("RGBA", (size, size), (14, 26, 34, 0))
    layer.putalpha(Image.fromarray(fallen.clip(0, 255).astype(np.uint8)))
    return Image.alpha_composite(picture, layer.filter(ImageFilter.GaussianBlur(0.7)))


def cover() -> Image.Image:
    """Return the front cover, 1500 x 1500 pixels."""
    rng = np.random.default_rng(14)
    line = int(SIZE * HORIZON)
    above = np.zeros((SIZE, SIZE, 3))
    above[:line] = sky(SIZE, rng)
    shore = banks(rng)
    backdrop = as_picture(above)
    backdrop.alpha_composite(shore)
    scene = np.asarray(backdrop.convert("RGB"), float).copy()
    scene[line:] = on_water(scene, SIZE, rng)
    haze = np.exp(-(((np.arange(SIZE) / SIZE - HORIZON) / 0.012) ** 2))[:, None, None]
    scene = scene * (1 - 0.28 * haze) + np.array([224, 182, 136]) * 0.28 * haze
    boat = ferry()
    picture = mirror(as_picture(scene), boat, FERRY_FOOT, rng)
    picture.alpha_composite(boat)
    scene = np.asarray(picture.convert("RGB"), float) + glow(SIZE) + lantern_path(SIZE, rng)
    picture = as_picture(scene)
    for x, top, foot, width, lean in (
        (0.350, 0.545, 0.622, 0.012, 0.001),
        (0.283, 0.548, 0.668, 0.019, -0.002),
        (0.196, 0.553, 0.742, 0.030, 0.003),
        (0.082, 0.560, 0.868, 0.050, -0.004),
    ):
        standing = post(x, top, foot, width, lean)
        picture = mirror(picture, standing, foot, rng)
        picture.alpha_composite(standing)
    pixels = np.asarray(lettered(picture), float)
    grain = gaussian_filter(rng.standard_normal((SIZE, SIZE)), 0.7)
    y, x = np.mgrid[-1 : 1 : SIZE * 1j, -1 : 1 : SIZE * 1j]
    shade = 1 - 0.16 * np.clip(np.hypot(x, y) - 0.6, 0, 1)
    pixels = pixels * shade[..., None] + 3.5 * (grain / grain.std())[..., None]
    return as_picture(pixels).convert("RGB")

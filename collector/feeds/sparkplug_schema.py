"""The part of Sparkplug B's message schema that layday reads, compiled with protobuf.

Field numbers and types are those of the schema in the Eclipse Sparkplug specification 3.0.0
(chapter 6). Fields that are not named here (properties, data sets, templates, files) are
skipped by protobuf itself, as its wire format intends.
"""

from functools import cache
from typing import Any

from google.protobuf import descriptor_pb2, descriptor_pool, message_factory

_FIELD = descriptor_pb2.FieldDescriptorProto
_PAYLOAD = (
    ("timestamp", 1, _FIELD.TYPE_UINT64),
    ("metrics", 2, _FIELD.TYPE_MESSAGE),
    ("seq", 3, _FIELD.TYPE_UINT64),
)
_METRIC = (
    ("name", 1, _FIELD.TYPE_STRING),
    ("alias", 2, _FIELD.TYPE_UINT64),
    ("timestamp", 3, _FIELD.TYPE_UINT64),
    ("datatype", 4, _FIELD.TYPE_UINT32),
    ("is_historical", 5, _FIELD.TYPE_BOOL),
    ("is_null", 7, _FIELD.TYPE_BOOL),
    ("int_value", 10, _FIELD.TYPE_UINT32),
    ("long_value", 11, _FIELD.TYPE_UINT64),
    ("float_value", 12, _FIELD.TYPE_FLOAT),
    ("double_value", 13, _FIELD.TYPE_DOUBLE),
    ("boolean_value", 14, _FIELD.TYPE_BOOL),
    ("string_value", 15, _FIELD.TYPE_STRING),
)
_ONE_OF_VALUE = 10  # from here on the fields are those of the one value


@cache
def payload_class() -> type[Any]:
    """Return the class of Sparkplug B's ``Payload``, a protobuf message.

    >>> payload_class()(timestamp=1, seq=3).SerializeToString().hex()
    '08011803'
    """
    file = descriptor_pb2.FileDescriptorProto(
        name="layday_sparkplug_b.proto", package="layday", syntax="proto2"
    )
    payload = file.message_type.add(name="Payload")
    metric = payload.nested_type.add(name="Metric")
    metric.oneof_decl.add(name="value")
    for message, fields in ((payload, _PAYLOAD), (metric, _METRIC)):
        for name, number, kind in fields:
            field = message.field.add(name=name, number=number, type=kind, label=_FIELD.LABEL_OPTIONAL)
            if kind == _FIELD.TYPE_MESSAGE:
                field.type_name, field.label = ".layday.Payload.Metric", _FIELD.LABEL_REPEATED
            if message is metric and number >= _ONE_OF_VALUE:
                field.oneof_index = 0
    pool = descriptor_pool.DescriptorPool()
    pool.Add(file)
    return message_factory.GetMessageClass(pool.FindMessageTypeByName("layday.Payload"))
